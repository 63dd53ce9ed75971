"""Transformers and a cable typed in by hand, made into the same circuits that a surveyed section becomes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.assess.assess import screening_limits
from survey.assess.circuits import Circuits, SectionValues, make_circuits
from survey.assess.windings import Windings, describe_windings
from survey.findings import FindingList
from survey.physics.screening import FAMILIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from survey.physics.catalogue import Catalogue
    from survey.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NOT_GIVEN = float("nan")


@dataclass(frozen=True)
class Transformer:
    """A three-phase transformer as typed in.

    Parameters
    ----------
    rating_va
        Three-phase rating [VA].
    voltage_v
        Rated primary line-to-line voltage [V].
    connection, core
        Codes of the input fields ``connection`` and ``core``; ``""`` takes the worst, and says so.
    loss_w
        No-load loss [W]; NaN takes the default.
    exciting_pu
        Exciting current [per unit of rated]; NaN takes the default.
    load_w
        Dependable load on the secondary [W].
    """

    rating_va: float
    voltage_v: float
    connection: str = ""
    core: str = ""
    loss_w: float = NOT_GIVEN
    exciting_pu: float = NOT_GIVEN
    load_w: float = 0.0


@dataclass(frozen=True)
class Cable:
    """A run of shielded cable, all three phases.

    Parameters
    ----------
    cap_f_m
        Capacitance of one phase to ground [F/m].
    words
        Where that comes from.
    assumed
        True for the stand-in of the voltage class.
    """

    cap_f_m: float
    words: str
    assumed: bool = False


@dataclass(frozen=True)
class Bench:
    """Transformers laid side by side, described as the survey describes them.

    ``voltage_v`` shape (n,); ``assumed``: what was assumed, in words, one entry a kind.
    """

    windings: Windings
    voltage_v: Floats
    assumed: tuple[str, ...]

    @property
    def susceptible(self) -> Ints:
        """Rows that have a circuit to study."""
        return np.flatnonzero(self.windings.family >= 0)


def make_bench(transformers: Sequence[Transformer], *, settings: Settings, catalogue: Catalogue) -> Bench:
    """Describe transformers: defaults, winding family, reason when not susceptible, magnetizing power."""
    table = pd.DataFrame(
        {
            "site_id": [str(number) for number in range(len(transformers))],
            "usable": True,
            "connection": pd.Series([t.connection for t in transformers], dtype=object),
            "core": pd.Series([t.core for t in transformers], dtype=object),
            "rating_va": [t.rating_va for t in transformers],
            "voltage_v": [t.voltage_v for t in transformers],
            "no_load_loss_w": [t.loss_w for t in transformers],
            "exciting_pu": [t.exciting_pu for t in transformers],
            "min_load_w": [t.load_w for t in transformers],
        }
    )
    exciting_pct = settings.electrical.exciting_pct
    findings = FindingList()
    windings = describe_windings(
        table,
        catalogue=catalogue,
        exciting_pu=None if exciting_pct is None else exciting_pct / 100,
        findings=findings,
    )
    words = dict.fromkeys(part for text in windings.assumed for part in str(text).split("; ") if part)
    return Bench(windings, table["voltage_v"].to_numpy(np.float64), tuple(words))


def bench_sections(
    bench: Bench, rows: Ints, *, cable_m: Floats, cable_f_m: Floats, stand_in: bool = False
) -> SectionValues:
    """One exposed section for each entry of ``rows``: that transformer alone behind that much cable.

    Parameters
    ----------
    rows
        Transformer of each section, shape (n,).
    cable_m, cable_f_m
        Length of cable [m] and its capacitance of one phase to ground [F/m], shape (n,).
    stand_in
        The capacitance is the voltage class's stand-in.
    """
    windings = bench.windings
    cable_f = cable_m * cable_f_m
    mine = windings.family[rows] == np.arange(len(FAMILIES))[:, None]

    def by_family(value: Floats) -> Floats:
        return np.where(mine, value[rows], 0.0)

    return SectionValues(
        cable_m=cable_m,
        cable_f=cable_f,
        cap_f=cable_f + windings.own_cap_f[rows],
        sites=np.ones(len(rows), np.int64),
        rating_va=windings.rating_va[rows],
        loss_w=windings.loss_w[rows],
        magnetizing_va=windings.magnetizing_va[rows],
        voltage_v=bench.voltage_v[rows],
        family_va=by_family(windings.rating_va),
        family_loss_w=by_family(windings.loss_w),
        family_magnetizing_va=by_family(windings.magnetizing_va),
        family_load_w=by_family(windings.min_load_w),
        stand_in_f=cable_f if stand_in else np.zeros(len(rows)),
        family_assumed_loss_w=by_family(np.where(windings.assumed_loss, windings.loss_w, 0.0)),
        family_assumed_magnetizing_va=by_family(np.where(windings.assumed_exciting, windings.magnetizing_va, 0.0)),
        family_doubtful_va=np.zeros(mine.shape),
        family_sites=mine.astype(float),
    )


def section_circuits(values: SectionValues, *, settings: Settings) -> Circuits:
    """The circuit of every section, in the order of the sections; each has one family."""
    made = make_circuits(
        values, frequency_hz=settings.electrical.frequency_hz, limits=screening_limits(settings.limits)
    )
    order = np.argsort(made.section, kind="stable")
    return Circuits(**{field.name: getattr(made, field.name)[order] for field in fields(made)})


def all_studied(circuits: Circuits) -> Circuits:
    """The same circuits, judged by the study alone, whatever the screen says."""
    return replace(circuits, clears=np.zeros(len(circuits.b), dtype=bool))
