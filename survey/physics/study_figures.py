"""What the study answers, and for which sections it can."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from survey.physics.curves import HIGHEST, LOWEST, FloatArray, IntArray


@dataclass(frozen=True)
class StudyResult:
    """Figures of the study, one of each for every section.

    ``peak_pu`` largest sustained open-phase voltage of all operations at no load [crest, per unit of nominal crest to
    ground]; ``peak_loaded_pu`` the same at the section's load, single-phase load between phase and ground included;
    ``typical_pu`` median of the sustained peaks of the sequences that ring at no load [per unit]; NaN where none does;
    ``likelihood`` share of whole switching sequences, first pole to last, closing and opening, at no load, in which an
    open phase ends above the voltage limit, 0-1; ``likelihood_loaded`` the same at the section's load;
    ``load_needed_pu`` least resistive load that keeps every operation under the limit [per unit of the section's
    rating]; 0 where none is needed; 1 where ``load_cures`` is false; ``load_cures`` false where not even rated load
    keeps every operation under the limit; ``clamped_pu`` largest sustained voltage at no load with an arrester on every
    open phase [per unit]; ``arrester_power_pu`` largest mean power of one arrester in any sequence once it has settled,
    at no load [per unit of the section's rating]; 0 where nothing conducts; ``arrester_power_loaded_pu`` the same at
    the section's load; ``cycles_above`` largest number of cycles that an open phase stays above the limit at no load,
    without arresters, before a response settles under it; ``in_model`` false where a value lies outside the model
    (:func:`inside_model`); the other figures are then of the nearest values inside, or 0 where there is none, and not
    to be published.
    """

    peak_pu: FloatArray
    peak_loaded_pu: FloatArray
    typical_pu: FloatArray
    likelihood: FloatArray
    likelihood_loaded: FloatArray
    load_needed_pu: FloatArray
    clamped_pu: FloatArray
    arrester_power_pu: FloatArray
    arrester_power_loaded_pu: FloatArray
    cycles_above: FloatArray
    load_cures: npt.NDArray[np.bool_]
    in_model: npt.NDArray[np.bool_]

    @classmethod
    def blank(cls, count: int) -> StudyResult:
        """All zero."""
        numbers = {field.name: np.zeros(count) for field in fields(cls) if field.name not in ("load_cures", "in_model")}
        return cls(**numbers, load_cures=np.ones(count, dtype=bool), in_model=np.zeros(count, dtype=bool))

    def put(self, where: IntArray, part: StudyResult) -> None:
        """Fill the places ``where`` from another result."""
        for field in fields(self):
            getattr(self, field.name)[where] = getattr(part, field.name)


@dataclass(frozen=True)
class PerUnitSections:
    """Sections of one circuit: b, p, im, load, one_phase [per unit of the section's rating], arrays of one length."""

    b: FloatArray
    p: FloatArray
    im: FloatArray
    load: FloatArray
    one_phase: FloatArray

    def of(self, chosen: npt.NDArray[np.bool_] | IntArray) -> PerUnitSections:
        """Those chosen."""
        return PerUnitSections(*(getattr(self, field.name)[chosen] for field in fields(self)))


def inside_model(
    *, b: npt.ArrayLike, p: npt.ArrayLike, im: npt.ArrayLike, load: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Tell which sections the study can answer for.

    Parameters
    ----------
    b, p, im, load
        Charging, core loss, magnetizing current and load [per unit of the section's rating].

    Returns
    -------
    numpy.ndarray
        True where b is positive and at most 10, p between 1e-4 and 0.5, im between 1e-4 and 0.2, load not negative.
        Less b than 1e-5 counts as 1e-5, more load than 1 as 1: both on the safe side.
    """
    b, p, im, load = (np.asarray(values, dtype=np.float64) for values in (b, p, im, load))
    finite = np.isfinite(b) & np.isfinite(p) & np.isfinite(im) & np.isfinite(load)
    return np.asarray(
        finite
        & (b > 0.0) & (b <= HIGHEST[0])
        & (p >= LOWEST[1]) & (p <= 0.5)
        & (im >= LOWEST[2]) & (im <= HIGHEST[2])
        & (load >= 0.0)
    )  # fmt: skip


def distinct(kinds: IntArray, columns: list[FloatArray]) -> tuple[IntArray, IntArray]:
    """Where each distinct section stands first, and which of these every section is: many states share sections."""
    frame = pd.DataFrame(dict(enumerate([kinds, *columns])), copy=False)
    first = np.flatnonzero(~frame.duplicated().to_numpy())
    again = np.asarray(frame.groupby(list(frame), sort=False, dropna=False).ngroup(), np.int64)
    return first, again
