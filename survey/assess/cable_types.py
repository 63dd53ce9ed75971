"""Cable types that are no key of the catalogue: taught by the settings, or read from their text."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from survey.read.cable_text import parse_cable_text, taught_type

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from survey.physics.catalogue import Catalogue
    from survey.read.cable_text import CableText

KILO = 1e3


class TypedCapacitance(NamedTuple):
    """Capacitance by type and voltage.

    Parameters
    ----------
    cap_f_m
        F/m, NaN for origin ``none``.
    origin
        ``type`` (a key of the catalogue, recorded or taught), ``text`` (worked out from what the text says), ``class``
        or ``none``, as in :meth:`~survey.physics.catalogue.Catalogue.cable_capacitance_f_m`.
    words
        For origin ``text`` what was read and what stood in for missing parts, else ``""``.
    """

    cap_f_m: NDArray[np.float64]
    origin: NDArray[np.str_]
    words: tuple[str, ...]


def typed_capacitance(
    types: Sequence[str], voltage_v: NDArray[np.float64], *, catalogue: Catalogue, patterns: Mapping[str, str]
) -> TypedCapacitance:
    """Capacitance of one phase of shielded cable to ground.

    Parameters
    ----------
    types
        Cable types as recorded, ``""`` where there is none.
    voltage_v
        Nominal line-to-line voltage [V], same length.
    patterns
        Regular expression → type, from the settings.
    """
    taught = [taught_type(text, patterns) if text else "" for text in types]
    cap, origin = catalogue.cable_capacitance_f_m(np.array(taught, dtype=object), voltage_v)
    cap, origin = cap.copy(), origin.astype("U5")
    words = [""] * len(taught)
    for i in np.flatnonzero(origin != "type").tolist():
        built, told = _from_text(taught[i], voltage_v=float(voltage_v[i]), catalogue=catalogue)
        if math.isfinite(built):
            cap[i], origin[i], words[i] = built, "text", told
    return TypedCapacitance(cap, origin, tuple(words))


def _from_text(text: str, *, voltage_v: float, catalogue: Catalogue) -> tuple[float, str]:
    cable = parse_cable_text(text)
    kv_class = cable.kv_class if cable.kv_class is not None else voltage_v / KILO
    if not cable.is_cable or not kv_class > 0:
        return math.nan, ""
    built = catalogue.capacitance_of(
        conductor_size=cable.conductor_size,
        kv_class=kv_class,
        insulation=cable.insulation,
        level_pct=cable.level_pct,
    )
    assumed = [*built.assumed, *([] if cable.kv_class is not None else [f"class of {kv_class:g} kV"])]
    return built.cap_f_m, _words(cable) + (f", with {', '.join(assumed)}" if assumed else "")


def _words(cable: CableText) -> str:
    level = f"{cable.level_pct:g} %" if cable.level_pct is not None else ""
    kv = f"{cable.kv_class:g} kV" if cable.kv_class is not None else ""
    left = f" (not understood: {' '.join(cable.left)})" if cable.left else ""
    parts = (cable.conductor_size, cable.conductor_material, cable.insulation, kv, level)
    return " ".join(part for part in parts if part) + left
