"""The signed-off list: sites that someone answers for, until when, and on what circuit.

A CSV file with columns ``site_id, who, until, note`` and, better, ``circuit``: the site's circuit fingerprint as the
survey printed it in ``sites.csv`` when it was signed off. A later survey keeps a sign-off only while its date has not
passed and the circuit under it is the same; it says of every other one why it does not hold.
"""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from survey.arrays import Floats, Objects
from survey.errors import SettingsError
from survey.findings import FindingList
from survey.lists import read_list

NEEDED = ("site_id", "who", "until")

CIRCUIT_COLUMNS = {
    "kva": 1, "kv": 3, "connection": None, "core": None, "minload_kw": 2, "switch_id": None, "gang_switch_id": None,
    "exposed_cable_m": 0, "exposed_sites": 0, "exposed_kva": 1, "cap_nf": 1, "worst_switch_id": None,
    "worst_cable_m": 0,
}  # fmt: skip
"""Columns of the sites table that make the circuit, and the decimals that count."""


@dataclass(frozen=True)
class SignOff:
    """One line of the list; ``until`` is the last day it holds, ``circuit`` may be empty."""

    site_id: str
    who: str
    until: date
    note: str = ""
    circuit: str = ""

    def words(self) -> str:
        """The sign-off in words."""
        return f"{self.who} until {self.until.isoformat()}" + (f": {self.note}" if self.note else "")


@dataclass(frozen=True)
class SignOffs:
    """The list and the day it is looked at."""

    items: tuple[SignOff, ...]
    as_of: date


def read_signed_off(path: Path) -> tuple[SignOff, ...]:
    """Read the list.

    Raises ``SettingsError``: the file cannot be read, lacks a column, names a site twice, or a date is not one.
    """
    rows = read_list(path, "signed-off list", needed=NEEDED, optional=("note", "circuit"))
    items = tuple(_item(row, where) for where, row in rows)
    seen: set[str] = set()
    for item in items:
        if item.site_id in seen:
            msg = f"signed-off list {path}: site {item.site_id!r} stands there twice; keep one line"
            raise SettingsError(msg)
        seen.add(item.site_id)
    return items


def _item(row: dict[str, str], where: str) -> SignOff:
    if not row["site_id"] or not row["who"]:
        msg = f"{where}: found site {row['site_id']!r} and who {row['who']!r}; both are needed"
        raise SettingsError(msg)
    try:
        until = date.fromisoformat(row["until"])
    except ValueError as error:
        msg = f"{where}: found until {row['until']!r}; expected a day such as 2030-12-31"
        raise SettingsError(msg) from error
    return SignOff(row["site_id"], row["who"], until, row["note"], row["circuit"])


def circuit_fingerprints(sites: pd.DataFrame, *, ids: bool = True) -> Objects:
    """Twelve hexadecimal digits for the circuit of every site, of what the tables show of it, shape (n_sites,).

    ``ids``: its devices count by their ids, not only what hangs on them.
    """
    used = {name: decimals for name, decimals in CIRCUIT_COLUMNS.items() if ids or not name.endswith("_id")}
    columns = {name: _comparable(sites[name], decimals) for name, decimals in used.items()}
    hashes = pd.util.hash_pandas_object(pd.DataFrame(columns), index=False).to_numpy()
    return np.array([f"{h:012x}" for h in (hashes >> np.uint64(16)).tolist()], dtype=object)


def _comparable(values: pd.Series, decimals: int | None) -> Objects | Floats:
    """Text with gaps as ``""``, numbers as they are written."""
    if decimals is None:
        return values.astype(object).where(values.notna(), "").to_numpy(object)
    return np.round(values.to_numpy(np.float64, na_value=np.nan), decimals) + 0.0


def hold_sign_offs(sites: pd.DataFrame, sign_offs: SignOffs, *, findings: FindingList) -> Objects:
    """Words of the sign-off that holds for every site, ``""`` without one; the others become findings.

    ``sites``: sites table with a column ``circuit``. ``findings``: gets ``signoff_unknown_site``, ``signoff_expired``,
    ``signoff_changed`` and ``signoff_unproved``.
    """
    row = {site: k for k, site in enumerate(sites["site_id"])}
    circuit = sites["circuit"].to_numpy(object)
    out = np.full(len(sites), "", object)
    told: dict[str, list[str]] = {}
    for item in sign_offs.items:
        k = row.get(item.site_id)
        rule = "signoff_unknown_site" if k is None else _fault(item, circuit[k], as_of=sign_offs.as_of)
        if rule:
            told.setdefault(rule, []).append(item.site_id)
        if k is not None and rule in ("", "signoff_unproved"):
            out[k] = item.words()
    for rule, ids in told.items():
        findings.report(rule, ids=ids)
    return out


def _fault(item: SignOff, circuit: str, *, as_of: date) -> str:
    if item.until < as_of:
        return "signoff_expired"
    if item.circuit and item.circuit != circuit:
        return "signoff_changed"
    return "" if item.circuit else "signoff_unproved"
