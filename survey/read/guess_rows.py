"""Which rows of a layer are part of the network: by life-cycle state, by voltage, by what a row is."""

import csv
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from functools import cache
from importlib.resources import files

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from survey.read.columns import as_text
from survey.read.guess_types import RowGuess
from survey.read.guess_values import NO, YES
from survey.read.guess_words import NO_ROLE, Told, plain_words, told_by
from survey.read.profile import FieldProfile, LayerProfile, profile_field, profile_rows
from survey.read.query import column_sql, text_sql

LEAST_PRIMARY_KV = 1.0
KNOWN = 0.9  # share of the rows whose value is a known word, from which a column is one of states
STATE_NAMES = {"status", "estado", "etat", "statut", "zustand", "life", "lifecycle", "stat", "situacao", "situacion"}
HALF = 0.5
"""Rows that a guess may leave out and be in force: retired lines kept close loops, and so hide what is exposed."""
FLAG_WORDS = {"is", "flag", "ind", "yn", "fl"}
RETIREMENT = {
    *("retired", "retire", "retirement", "removed", "removal", "abandoned", "abandonment", "abandon", "decommissioned"),
    *(
        "retrait",
        "baja",
        "retiro",
        "depose",
        "desativacao",
        "desativado",
        "stillgelegt",
        "stilllegung",
        "ausserbetrieb",
    ),
}
KINDS_KNOWN = 0.6
SHORT_WORD, LONG_WORD = 4, 6  # letters a word needs to tell of a value that says more
ROLES_OF_POINTS = ("transformers", "switches", "sources")


def guess_rows(profile: LayerProfile, *, but: Collection[str] = ()) -> tuple[RowGuess, ...]:
    """Conditions on the rows of a layer that leave out what is no part of the network today; not by some columns."""
    fields = (field for field in profile.fields if not field.columns and field.name not in but)
    found = (_by_words(field) or _by_flag(field) or _by_date(field) for field in fields)
    return tuple(guess for guess in found if guess is not None)


def _by_words(field: FieldProfile) -> RowGuess | None:
    """Condition by a column whose values are life-cycle states or voltage levels, ``None`` where there is none."""
    if field.kind != "text" or not field.codes:
        return None
    kinds = [("life", "life-cycle states", KNOWN), ("level", "voltage levels", KNOWN)]
    if set(plain_words(field.label).split()) & STATE_NAMES:
        kinds.append(("letter", "letters that often are life-cycle states", KNOWN))
        kinds.append(("life", "life-cycle states among its values", 0.0))
    count = dict(field.counts)
    total = sum(count.values())
    for kind, words, least in kinds:
        told = {value: _keeps(kind, value) for value in field.codes}
        known = sum(count[value] for value, keep in told.items() if keep is not None)
        out = [value for value in field.codes if told[value] is False]
        if not out or known < least * total or (least and not any(told.values())):
            continue
        others = [value for value in field.codes if told[value] is None]
        kept = f"; kept although unknown: {', '.join(others)}" if others else ""
        sql, sure = _not_in(field.name, out), bool(least) and kind != "letter"
        return _leaving_out(field, out, sql=sql, words=words, kept=kept, sure=sure)
    return None


def _by_flag(field: FieldProfile) -> RowGuess | None:
    """Condition by a column of yes and no that is named like a state: retired, proposed, in service."""
    name = " ".join(word for word in plain_words(field.label).split() if word not in FLAG_WORDS)
    keeps = _state_words("life").get(name)
    out = [value for value in field.codes if value.casefold() in (NO if keeps else YES)]
    if keeps is None or not out or not {value.casefold() for value in field.codes} <= {*YES, *NO}:
        return None
    sql = f"coalesce(cast({column_sql(field.name)} as varchar), '') not in ({', '.join(map(text_sql, out))})"
    return _leaving_out(field, out, sql=sql, words="yes and no of a life-cycle state")


def _by_date(field: FieldProfile) -> RowGuess | None:
    """Condition by a column that by its name is filled once something is retired."""
    named = set(plain_words(field.label).split()) & RETIREMENT
    if not named or not 0.0 < field.filled < HALF or field.kind not in ("other", "text"):
        return None
    return _leaving_out(field, [], sql=f"{column_sql(field.name)} is null", words="filled once it is retired")


def _leaving_out(
    field: FieldProfile, out: Sequence[str], *, sql: str, words: str, kept: str = "", sure: bool = False
) -> RowGuess:
    gone = sum(dict(field.counts)[value] for value in out) if out else round(field.filled * field.rows)
    evidence = f"{words}; leaves out {gone:,} of {field.rows:,} rows{kept}"
    return RowGuess(sql, evidence, sure=sure, in_force=gone < HALF * field.rows, column=field.name, gone=tuple(out))


def _not_in(name: str, values: Sequence[str]) -> str:
    listed = ", ".join(map(text_sql, values))
    return f"coalesce({column_sql(name)}, '') not in ({listed})"


def above_low_voltage(field: FieldProfile, *, to_kv: float) -> RowGuess | None:
    """Condition that leaves out rows of low voltage, by a column of numbers; ``None`` where there are none."""
    low = field.numbers * to_kv < LEAST_PRIMARY_KV
    high = field.numbers * to_kv >= LEAST_PRIMARY_KV
    if not (low & (field.numbers > 0)).any() or not high.any() or field.kind == "text":
        return None
    sql = f"coalesce({column_sql(field.name)}, 1e9) >= {LEAST_PRIMARY_KV / to_kv:g}"
    return RowGuess(sql, f"low voltage; leaves out {int(low.sum()):,} of {field.rows:,} rows", sure=True)


def narrowed(profile: LayerProfile) -> LayerProfile:
    """Layer of lines whose coded columns are judged by the rows that stay: what is retired or secondary blurs them."""
    rows = guess_rows(profile) if profile.geometry == "lines" else ()
    kept = np.ones(profile.rows, np.bool_)
    for row in (row for row in rows if row.sure or row.in_force):
        text = as_text(profile.columns[row.column])
        gone = pc.is_in(text, value_set=pa.array(row.gone, pa.large_string())) if row.gone else pc.is_valid(text)
        kept &= ~gone.to_numpy(zero_copy_only=False)
    if kept.all() or not kept.any():
        return profile
    at = pa.array(np.flatnonzero(kept))
    fields = tuple(
        replace(
            profile_field(f.name, profile.columns[f.name].take(at), label=f.label, of=f.columns),
            sql=f.sql,
            by_row=f.by_row,
        )
        if f.codes
        else f
        for f in profile.fields
    )
    return replace(profile, fields=fields, rows_guess=(*profile.rows_guess, *rows))


def split_by_kind(profile: LayerProfile) -> list[LayerProfile]:
    """Views of a layer that holds several kinds of assets, one for each role; the layer itself where it holds one.

    ``profile``: a layer of points or of lines. Returns ``views``: each with the condition that makes it and the role
    that its values tell.
    """
    if profile.geometry not in ("points", "mixed"):
        return [profile]
    drawn_so = ROLES_OF_POINTS if profile.geometry == "points" else ("cables", *ROLES_OF_POINTS)
    for field in profile.fields:
        told = _kinds(field, roles={*drawn_so, NO_ROLE})
        roles = [role for role in drawn_so if any(kind.role == role for kind in told.values())]
        if len(roles) > 1 or (roles and any(kind.role == NO_ROLE for kind in told.values())):
            return [_view(profile, field, told, role=role) for role in roles]
    return [profile]


def _kinds(field: FieldProfile, *, roles: Collection[str]) -> Mapping[str, Told]:
    """What each value of a column is, empty where the column does not tell kinds of assets."""
    if field.kind != "text" or not field.codes:
        return {}
    told = {value: told_by(value) for value in field.codes}
    count = dict(field.counts)
    known = sum(count[value] for value, kind in told.items() if kind.role in roles)
    return told if known >= KINDS_KNOWN * sum(count.values()) else {}


def _view(profile: LayerProfile, field: FieldProfile, told: Mapping[str, Told], *, role: str) -> LayerProfile:
    values = [value for value, kind in told.items() if kind.role == role]
    listed = ", ".join(map(text_sql, values))
    sql = f"{column_sql(field.name)} in ({listed})"
    unknown = [value for value, kind in told.items() if not kind.role]
    doubt = f"; in no role, of unknown kind: {', '.join(unknown[:5])}" if unknown else ""
    mask = pc.is_in(as_text(profile.columns[field.name]), value_set=pa.array(values, pa.large_string()))
    rows = np.flatnonzero(mask.to_numpy(zero_copy_only=False))
    evidence = f"{len(rows):,} of {profile.rows:,} rows are {role} by {field.name}{doubt}"
    view = profile_rows(profile, rows)
    rows_guess = RowGuess(sql, evidence, sure=not unknown, in_force=True)
    return replace(view, hint=role, rows_guess=(rows_guess,), title=f"{profile.name} ({role})")


def _keeps(kind: str, value: str) -> bool | None:
    """Whether rows with this value are part of the network, ``None`` where its words tell nothing."""
    text, words = plain_words(value), _state_words(kind)
    first = text.split(" ", 1)[0] if kind == "level" else text
    if text in words or first in words:
        return words.get(text, words.get(first))
    for keep in (False, True):
        if any(not keep or len(word) >= LONG_WORD for word in _within(text, words, keep=keep)):
            return keep
    return None


def _within(text: str, words: Mapping[str, bool], *, keep: bool) -> list[str]:
    return [w for w, kept in words.items() if kept == keep and len(w) >= SHORT_WORD and f" {w} " in f" {text} "]


@cache
def _state_words(kind: str) -> Mapping[str, bool]:
    with files("survey").joinpath("data", "state_words.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["kind"] == kind]
    return {word: row["keep"] == "1" for row in rows for word in row["words"].split("|")}
