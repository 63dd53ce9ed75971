"""Why a site's figures changed: one rule a cause, each a name, a test and words.

The figures of two surveys are compared, not their inputs, so a cause is what the tables show of it. Causes stand in the
order of what brings about what: an open point that moved explains the cable that came with it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from survey.arrays import Bools, Objects
from survey.comparison.phrases import Cause, Part, assumed, shortened
from survey.comparison.snapshot import Snapshot

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


CAUSES = (
    Cause("renamed", (Part("own_id", "site"),), said="renamed"),
    Cause("open_point", (Part("point_open_points", "open points at the section"),), said="open point moved"),
    Cause("feeder", (Part("feeder", "feeder"),)),
    Cause(
        "switching_point",
        (Part("worst_switch_id", "worst single-pole point"), Part("switch_id", "nearest single-pole point")),
    ),
    Cause("three_pole_device", (Part("gang_switch_id", "three-pole device on the way"),)),
    Cause(
        "cable_length",
        (
            Part("worst_cable_m", "cable behind the worst point", brief="cable", unit=" m"),
            Part("exposed_cable_m", "exposed cable", brief="cable at nearest point", unit=" m"),
        ),
    ),
    Cause(
        "transformer",
        (
            Part("kva", "rating", unit=" kVA", decimals=1),
            Part("kv", "voltage", unit=" kV", decimals=3),
            Part("connection", "connection", code=True),
            Part("core", "core", code=True),
        ),
    ),
    Cause(
        "other_sites",
        (
            Part("point_exposed_sites", "sites behind the worst point", brief="sites behind the point"),
            Part("point_exposed_kva", "kVA behind the worst point", brief="kVA behind it", decimals=1),
        ),
    ),
    Cause("back_fed", (Part("tie_risk", "risk in back-fed states", decimals=4),)),
    Cause("load", (Part("minload_kw", "dependable load", brief="load", unit=" kW", decimals=2),)),
    Cause("consequence", (Part("customers", "customers"), Part("critical", "critical"))),
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

    names: Objects
    short: Objects
    full: Objects

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
    general = _general(old, new)
    only_follows = pair.differs("cap_nf", "xc_xm", "charge_loss", "notes") | (general[0] == "settings")
    shown["back_fed"] &= ~only_follows
    for name, followers in INHERITED.items():
        for follower in followers:
            shown[follower] = shown[follower] & ~shown[name]
    reasons = _listed(pair, shown)
    figures = pair.differs("score", "priority", "hazard", "band", "status", "cap_nf", "xc_xm", "charge_loss", "notes")
    rest = figures & (reasons.names == "")
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
    changed = changed_settings(old.settings, new.settings)
    if changed:
        name, words = changed[0]
        return "settings", f"setting {name} changed", f"setting {name} {words}"
    if old.version != new.version:
        return "survey_version", "another version", f"survey version {old.version} -> {new.version}"
    return "", "", ""


def changed_settings(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Settings that figures rest on and that differ: section and key, and the value before and now."""
    out = []
    for section in SETTINGS_THAT_COUNT:
        a, b = old.get(section, {}), new.get(section, {})
        keys = sorted(key for key in {*a, *b} if a.get(key) != b.get(key))
        out += [(f"{section}.{key}", f"{a.get(key)} -> {b.get(key)}") for key in keys]
    return out


def _remaining(pair: Pair, i: int, general: tuple[str, str, str]) -> tuple[str, str, str]:
    a, b = str(pair.old["notes"].iloc[i]), str(pair.new["notes"].iloc[i])
    by_notes = f"assumed before: {a or 'nothing'}; now: {b or 'nothing'}"
    if a != b and general[0] != "settings":
        return "assumptions", assumed(a, b), by_notes
    if a != b:  # what is noted of a site rests on settings too
        name, short, full = general
        return name, short, f"{full}; {by_notes}"
    if general[0]:
        return general
    return (
        "assumptions",
        "recorded values changed",
        "only recorded or assumed values differ: capacitance, no-load loss, exciting current or load on the section",
    )
