"""Cable types that are no key of the catalogue: taught by the settings, read from their text, or unread."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.arrays import Bools, Floats
from survey.findings import FindingList
from survey.input_schema import field_specs, find_unit
from survey.physics.catalogue import CableBuild, Catalogue
from survey.read.cable_text import CableText, parse_cable_text, sizes_are_metric, taught_type
from survey.read.guess_values import MOST_TAUGHT
from survey.wrapped import quoted

KILO = 1e3
STAND_IN_SIZE = "500"
"""Size in kcmil where a text tells only the insulation: that of the class's stand-in."""
RULE = "unknown_cable_type"
EXAMPLE_TYPE = "500 TR-XLPE 100%"
"""Shows what stands on the right: what is counted now, in every class, so that the line changes nothing as it is."""
SPECIAL = re.compile(r"([\\.^$*+?{}\[\]|()])")


class TypedCapacitance(NamedTuple):
    """Capacitance by type and voltage.

    ``cap_f_m`` F/m, NaN for origin ``none``; ``origin`` ``type`` (a key of the catalogue, recorded or taught), ``text``
    (worked out from what the text says), ``class`` or ``none``, as in
    :meth:`~survey.physics.catalogue.Catalogue.cable_capacitance_f_m`; ``words`` for origin ``text`` what was read and
    what stood in for missing parts, else ``""``; ``rough`` whether it is as uncertain as a stand-in: the class's, or a
    size that the text does not tell.
    """

    cap_f_m: Floats
    origin: NDArray[np.str_]
    words: tuple[str, ...]
    rough: Bools


def typed_capacitance(
    types: Sequence[str], voltage_v: Floats, *, catalogue: Catalogue, patterns: Mapping[str, str]
) -> TypedCapacitance:
    """Capacitance of one phase of shielded cable to ground.

    ``types``: cable types as recorded, ``""`` where there is none. ``voltage_v``: nominal line-to-line voltage [V],
    same length. ``patterns``: regular expression → type, from the settings.
    """
    taught = [taught_type(text, patterns) if text else "" for text in types]
    cap, origin = catalogue.cable_capacitance_f_m(np.array(taught, dtype=object), voltage_v)
    cap, origin = cap.copy(), origin.astype("U5")
    words, sized = [""] * len(taught), np.ones(len(taught), bool)
    metric = bool(sizes_are_metric({text for text, told in zip(types, taught, strict=True) if text == told}))
    of_parts = cache(catalogue.capacitance_of)  # many texts say the same
    for i in np.flatnonzero(origin != "type").tolist():
        told = taught_capacitance_f_m(taught[i])
        cable = parse_cable_text(taught[i], metric=metric and taught[i] == types[i])
        built, said = (told, taught[i]) if told else _of_parts(cable, float(voltage_v[i]), of_parts=of_parts)
        if math.isfinite(built):
            cap[i], origin[i], words[i] = built, "text", said
            sized[i] = bool(told or cable.conductor_size)
    return TypedCapacitance(cap, origin, tuple(words), (origin == "class") | ~sized)


def taught_capacitance_f_m(text: str) -> float | None:
    """Capacitance of a text that is one (``480 nF/km``, in any unit of the field ``cap_nf_km``), F/m."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(\S+)\s*", text)
    unit = find_unit(field_specs("cables")["cap_nf_km"].quantity, match[2]) if match else None
    return float(match[1]) * unit if match and unit and float(match[1]) > 0 else None


def _of_parts(cable: CableText, voltage_v: float, *, of_parts: Callable[..., CableBuild]) -> tuple[float, str]:
    kv_class = cable.kv_class if cable.kv_class is not None else voltage_v / KILO
    if cable.bare or not (cable.conductor_size or cable.insulation) or not kv_class > 0:
        return math.nan, ""
    built = of_parts(
        conductor_size=cable.conductor_size or STAND_IN_SIZE,
        kv_class=kv_class,
        insulation=cable.insulation,
        level_pct=cable.level_pct,
        wall_mm=cable.wall_mm,
    )
    missing = (
        (not cable.conductor_size, f"size {STAND_IN_SIZE}"),
        (cable.kv_class is None, f"class of {kv_class:g} kV"),
    )
    assumed = [*built.assumed, *(words for is_missing, words in missing if is_missing)]
    return built.cap_f_m, _words(cable) + (f", with {', '.join(assumed)}" if assumed else "")


def _words(cable: CableText) -> str:
    level = f"{cable.level_pct:g} %" if cable.level_pct is not None else ""
    level = f"{cable.wall_mm:.2f} mm wall" if cable.wall_mm and not level else level
    kv = f"{cable.kv_class:g} kV" if cable.kv_class is not None else ""
    left = f" (not understood: {' '.join(cable.left)})" if cable.left else ""
    size = f"{cable.conductor_size} kcmil" if cable.conductor_size.isdigit() else cable.conductor_size
    parts = (size, cable.conductor_material, cable.insulation, kv, level)
    return " ".join(part for part in parts if part) + left


def teaching_line(text: str) -> str:
    r"""Line below ``[input.cable_type_patterns]`` for this text and no other; only the type is to be put right.

    Examples
    --------
    >>> print(teaching_line("BLK 500 (OLD)"))
    '^BLK 500 \(OLD\)$' = "500 TR-XLPE 100%"
    """
    pattern = "^" + SPECIAL.sub(r"\\\1", text) + "$"
    literal = pattern.isprintable() and "'" not in pattern
    key = f"'{pattern}'" if literal else quoted(pattern)
    return f'{key} = "{EXAMPLE_TYPE}"'


def unread_cable_texts(findings: FindingList, cables: pd.DataFrame) -> list[dict[str, Any]]:
    """Cable texts for which a stand-in was used, those with most length first.

    Returns ``text``, ``cables`` (number), ``km`` and ``teach`` (see :func:`teaching_line`) of each.
    """
    found = findings.of(RULE)
    if not found:
        return []
    rows = cables[cables["cable_id"].isin([name for finding in found for name in finding.ids])]
    km = rows["length_m"].fillna(rows["drawn_m"]).fillna(0.0) / 1e3
    texts = km.groupby(rows["cable_type"].astype(str)).agg(["size", "sum"]).reset_index()
    texts["sum"] = texts["sum"].round(3)
    longest = texts.sort_values(["sum", "cable_type"], ascending=[False, True], kind="stable")
    return [
        {"text": text, "cables": number, "km": length, "teach": teaching_line(text)}
        for text, number, length in longest.head(MOST_TAUGHT).itertuples(index=False)
    ]
