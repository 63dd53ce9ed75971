"""Why a site's figures changed: one rule a cause, each a name, a test and words.

The figures of two surveys are compared, not their inputs, so a cause is what the tables show of it. Causes stand in the
order of what brings about what: an open point that moved explains the cable that came with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from survey.comparison.phrases import always, assumed, becomes, first_of, from_to, shortened

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from survey.comparison.snapshot import Snapshot

Bools = NDArray[np.bool_]
Texts = NDArray[np.object_]

SETTINGS_THAT_COUNT = ("electrical", "limits", "score", "study", "network")


@dataclass(frozen=True)
class Pair:
    """The same sites in two surveys, rows aligned."""

    old: pd.DataFrame
    new: pd.DataFrame

    def differs(self, *columns: str) -> Bools:
        """Any of the columns differs; two missing values are the same. Shape (n,)."""
        out = np.zeros(len(self.old), bool)
        for name in columns:
            a, b = self.old[name], self.new[name]
            if pd.api.types.is_numeric_dtype(a) and pd.api.types.is_numeric_dtype(b):
                x, y = a.to_numpy(float), b.to_numpy(float)
                out |= ~((x == y) | (np.isnan(x) & np.isnan(y)))
            else:
                out |= (a.astype(str).to_numpy(object) != b.astype(str).to_numpy(object)).astype(bool)
        return out


@dataclass(frozen=True)
class Cause:
    """A cause: name, columns that show it, and what is said of one site, with the old and the new row.

    ``phrase`` says it in a few words, ``words`` in full.
    """

    name: str
    columns: tuple[str, ...]
    words: Callable[[Any, Any], str]
    phrase: Callable[[Any, Any], str]


def _arrow(label: str, column: str, *, unit: str = "", decimals: int = 0) -> Callable[[Any, Any], str]:
    def words(old: Any, new: Any) -> str:  # noqa: ANN401 - rows of a table
        a, b = (_shown(getattr(row, column), decimals) for row in (old, new))
        return f"{label} {a} -> {b}{unit}"

    return words


def _shown(value: object, decimals: int) -> str:
    if isinstance(value, float | np.floating | int | np.integer):
        return "none" if np.isnan(value) else f"{float(value):.{decimals}f}"
    return str(value) or "none"


def _both(*parts: tuple[str, Callable[[Any, Any], str]]) -> Callable[[Any, Any], str]:
    """Words of those parts whose column differs."""

    def words(old: Any, new: Any) -> str:  # noqa: ANN401 - rows of a table
        changed = [say(old, new) for column, say in parts if _other(getattr(old, column), getattr(new, column))]
        return ", ".join(changed)

    return words


def _other(a: object, b: object) -> bool:
    return a != b and not (a != a and b != b)  # noqa: PLR0124 - two missing numbers are the same


CAUSES: tuple[Cause, ...] = (
    Cause("renamed", ("own_id",), _arrow("site", "own_id"), always("renamed")),
    Cause(
        "open_point",
        ("point_open_points",),
        _arrow("open points at the section", "point_open_points"),
        always("open point moved"),
    ),
    Cause("feeder", ("feeder",), _arrow("feeder", "feeder"), becomes("feeder", "feeder")),
    Cause(
        "switching_point",
        ("switch_id", "worst_switch_id"),
        _both(
            ("switch_id", _arrow("nearest single-pole point", "switch_id")),
            ("worst_switch_id", _arrow("worst single-pole point", "worst_switch_id")),
        ),
        first_of(
            becomes("worst single-pole point", "worst_switch_id"), becomes("nearest single-pole point", "switch_id")
        ),
    ),
    Cause(
        "three_pole_device",
        ("gang_switch_id",),
        _arrow("three-pole device on the way", "gang_switch_id"),
        becomes("three-pole device on the way", "gang_switch_id"),
    ),
    Cause(
        "cable_length",
        ("exposed_cable_m", "worst_cable_m"),
        _both(
            ("exposed_cable_m", _arrow("exposed cable", "exposed_cable_m", unit=" m")),
            ("worst_cable_m", _arrow("cable behind the worst point", "worst_cable_m", unit=" m")),
        ),
        first_of(
            from_to("cable", "worst_cable_m", unit=" m"),
            from_to("cable at nearest point", "exposed_cable_m", unit=" m"),
        ),
    ),
    Cause(
        "transformer",
        ("kva", "kv", "connection", "core"),
        _both(
            ("kva", _arrow("rating", "kva", unit=" kVA", decimals=1)),
            ("kv", _arrow("voltage", "kv", unit=" kV", decimals=3)),
            ("connection", _arrow("connection", "connection")),
            ("core", _arrow("core", "core")),
        ),
        first_of(
            from_to("rating", "kva", unit=" kVA"),
            from_to("voltage", "kv", unit=" kV"),
            becomes("connection", "connection", code=True),
            becomes("core", "core", code=True),
        ),
    ),
    Cause(
        "other_sites",
        ("point_exposed_sites", "point_exposed_kva"),
        _both(
            ("point_exposed_sites", _arrow("sites behind the worst point", "point_exposed_sites")),
            ("point_exposed_kva", _arrow("kVA behind the worst point", "point_exposed_kva", decimals=1)),
        ),
        first_of(
            from_to("sites behind the point", "point_exposed_sites"), from_to("kVA behind it", "point_exposed_kva")
        ),
    ),
    Cause(
        "back_fed",
        ("tie_risk",),
        _arrow("risk in back-fed states", "tie_risk", decimals=4),
        always("risk in back-fed states"),
    ),
    Cause(
        "load",
        ("minload_kw",),
        _arrow("dependable load", "minload_kw", unit=" kW", decimals=2),
        first_of(from_to("load", "minload_kw", unit=" kW")),
    ),
    Cause(
        "consequence",
        ("customers", "critical"),
        _both(("customers", _arrow("customers", "customers")), ("critical", _arrow("critical", "critical"))),
        first_of(from_to("customers", "customers"), from_to("critical", "critical")),
    ),
)

INHERITED = {
    "switching_point": ("cable_length", "other_sites", "back_fed"),
    "cable_length": ("back_fed",),
    "three_pole_device": ("back_fed",),
    "transformer": ("other_sites", "back_fed"),
    "other_sites": ("back_fed",),
}
"""Causes that only follow from another: not listed beside it."""


@dataclass(frozen=True)
class Reasons:
    """Why sites changed, one entry a site: names of causes (separated by blanks), a short phrase, and all of it."""

    names: Texts
    short: Texts
    full: Texts

    def put(self, i: int, reasons: tuple[str, str, str]) -> None:
        """Set the entry of one site."""
        self.names[i], self.short[i], self.full[i] = reasons


def find_causes(old: Snapshot, new: Snapshot, pair: Pair) -> Reasons:
    """Names and words of what differs at every site of a pair, shape (n,).

    Where none of the rules holds but the electrical figures differ, only the data's assumptions did (values that
    stand in for missing ones, or a record that replaced one), or the settings, or the survey itself.
    """
    shown = {cause.name: pair.differs(*cause.columns) for cause in CAUSES}
    shown["open_point"] &= _touched(pair, old.open_devices ^ new.open_devices)
    for name, followers in INHERITED.items():
        for follower in followers:
            shown[follower] = shown[follower] & ~shown[name]
    reasons = _listed(pair, shown)
    figures = pair.differs("score", "priority", "hazard", "band", "status", "cap_nf", "xc_xm", "charge_loss", "notes")
    rest = figures & (reasons.names == "")
    general = _general(old, new)
    for i in np.flatnonzero(rest):
        reasons.put(int(i), _remaining(pair, int(i), general))
    return reasons


def _touched(pair: Pair, moved: frozenset[str]) -> Bools:
    """The section of the worst point ends, before or after, at a device that was opened or closed."""
    out = np.zeros(len(pair.old), bool)
    if moved:
        for side in (pair.old, pair.new):
            out |= np.array([not moved.isdisjoint(ids.split()) for ids in side["point_open_points"]], bool)
    return out


def _listed(pair: Pair, shown: Mapping[str, Bools]) -> Reasons:
    n = len(pair.old)
    out = Reasons(*(np.full(n, "", object) for _ in range(3)))
    rows = np.flatnonzero(np.logical_or.reduce(list(shown.values()))) if n else np.empty(0, np.int64)
    old_rows, new_rows = pair.old.iloc[rows].itertuples(), pair.new.iloc[rows].itertuples()
    for i, a, b in zip(rows, old_rows, new_rows, strict=True):
        here = [cause for cause in CAUSES if shown[cause.name][i]]
        names = " ".join(cause.name for cause in here)
        short = shortened([cause.phrase(a, b) for cause in here])
        out.put(int(i), (names, short, "; ".join(cause.words(a, b) for cause in here)))
    return out


def _general(old: Snapshot, new: Snapshot) -> tuple[str, str, str]:
    """What differs of the surveys as a whole: settings that count, or the version."""
    for section in SETTINGS_THAT_COUNT:
        a, b = old.settings.get(section, {}), new.settings.get(section, {})
        keys = sorted(key for key in {*a, *b} if a.get(key) != b.get(key))
        if keys:
            name = f"setting {section}.{keys[0]}"
            return "settings", f"{name} changed", f"{name} {a.get(keys[0])} -> {b.get(keys[0])}"
    if old.version != new.version:
        return "survey_version", "another version", f"survey version {old.version} -> {new.version}"
    return "", "", ""


def _remaining(pair: Pair, i: int, general: tuple[str, str, str]) -> tuple[str, str, str]:
    a, b = str(pair.old["notes"].iloc[i]), str(pair.new["notes"].iloc[i])
    if a != b:
        return "assumptions", assumed(a, b), f"assumed before: {a or 'nothing'}; now: {b or 'nothing'}"
    if general[0]:
        return general
    return (
        "assumptions",
        "recorded values changed",
        "only recorded or assumed values differ: capacitance, no-load loss, exciting current or load on the section",
    )
