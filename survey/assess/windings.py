"""Transformers as the study sees them: winding family, core loss, magnetizing current, own capacitance.

Missing values take a default with a finding of severity ``assumed``; a missing connection or core is taken as the worst
that can be there.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from survey.arrays import Bools, Floats, Ints, Objects
from survey.findings import FindingList, find_rule
from survey.physics.catalogue import Catalogue
from survey.physics.families import ASSUMED_CONNECTION, ASSUMED_CORE, construction
from survey.physics.transformer import magnetizing_pu, own_capacitance_f

NOT_SUSCEPTIBLE = -1


@dataclass(frozen=True)
class Windings:
    """One row per site; powers in W and VA at rated voltage.

    Parameters
    ----------
    connection, core
        As used, text.
    family
        Position in ``survey.physics.families.FAMILIES``, -1 when not susceptible. Shape (n_sites,).
    reason
        Why it is not susceptible, text, else ``""``.
    usable
        Rating and voltage are both usable; the powers below are 0 elsewhere.
    rating_va, loss_w, magnetizing_va, min_load_w, own_cap_f
        Rating, no-load loss, magnetizing power, dependable load, own capacitance of one phase to ground.
    balanced_load
        The dependable load is declared balanced on three phases, by its record or by the settings.
    assumed
        What was assumed of each site, in words, ``""`` when nothing.
    assumed_connection, assumed_loss, assumed_exciting
        Connection or core, no-load loss, exciting current are defaults.
    """

    connection: Objects
    core: Objects
    family: Ints
    reason: Objects
    usable: Bools
    rating_va: Floats
    loss_w: Floats
    magnetizing_va: Floats
    min_load_w: Floats
    own_cap_f: Floats
    balanced_load: Bools
    assumed: Objects
    assumed_connection: Bools
    assumed_loss: Bools
    assumed_exciting: Bools


def describe_windings(
    transformers: pd.DataFrame,
    *,
    catalogue: Catalogue,
    exciting_pu: float | None,
    three_phase_load: bool = False,
    findings: FindingList,
) -> Windings:
    """Work out what each transformer is to the study.

    ``transformers``: as in ``NetworkTables``. ``exciting_pu``: default exciting current from the settings, per unit;
    ``None`` takes the catalogue's. ``three_phase_load``: a dependable load is balanced on three phases where its record
    does not say. ``findings``: gets ``default_connection``, ``default_core``, ``three_legged_approximated``,
    ``default_no_load_loss`` and ``default_exciting``.
    """
    usable = transformers["usable"].to_numpy(bool)
    notes = _Notes(transformers["site_id"].to_numpy(), findings)
    connection, core = _constructions(transformers, notes)
    family, reason = _families(connection, core)
    approximated = (connection == "grounded_wye") & (core == "three_legged")
    notes.note(approximated, "three_legged_approximated")
    rating = np.where(usable, transformers["rating_va"].to_numpy(np.float64), 0.0)
    volts = np.where(usable, transformers["voltage_v"].to_numpy(np.float64), np.nan)
    loss = _losses(transformers, rating, volts, catalogue=catalogue, notes=notes)
    magnetizing = _magnetizing(
        transformers, rating, volts, loss, catalogue=catalogue, exciting_pu=exciting_pu, notes=notes
    )
    own = np.zeros(len(rating))
    own[usable] = own_capacitance_f(rating_va=rating[usable], voltage_v=volts[usable])
    min_load = np.where(usable, transformers["min_load_w"].to_numpy(np.float64), 0.0)
    return Windings(
        connection=connection,
        core=core,
        family=family,
        reason=reason,
        usable=usable,
        rating_va=rating,
        loss_w=loss,
        magnetizing_va=magnetizing,
        min_load_w=min_load,
        own_cap_f=own,
        balanced_load=_balanced(transformers, three_phase_load),
        assumed=notes.joined(),
        assumed_connection=notes.has("default_connection", "default_core"),
        assumed_loss=notes.has("default_no_load_loss"),
        assumed_exciting=notes.has("default_exciting"),
    )


def _balanced(transformers: pd.DataFrame, by_default: bool) -> Bools:  # noqa: FBT001
    declared = transformers["minload_3p"].to_numpy(object)
    return np.asarray((declared == "yes") | (by_default & (declared == "")))


class _Notes:
    """Gathers assumptions, as one finding per kind and as words per site."""

    def __init__(self, ids: Objects, findings: FindingList) -> None:
        self.ids = ids
        self.findings = findings
        self.words: list[tuple[Ints, str]] = []
        self.rules: dict[str, Ints] = {}

    def note(self, where: Bools, rule: str) -> None:
        rows = np.flatnonzero(where)
        if len(rows):
            self.words.append((rows, find_rule(rule).done))
            self.rules[rule] = rows
            self.findings.report(rule, ids=self.ids[rows])

    def has(self, *rules: str) -> Bools:
        out = np.zeros(len(self.ids), bool)
        for rule in rules:
            out[self.rules.get(rule, np.empty(0, np.int64))] = True
        return out

    def joined(self) -> Objects:
        out = np.full(len(self.ids), "", object)
        for rows, text in self.words:
            out[rows] = [f"{old}; {text}" if old else text for old in out[rows]]
        return out


def _constructions(transformers: pd.DataFrame, notes: _Notes) -> tuple[Objects, Objects]:
    connection = transformers["connection"].to_numpy(object).copy()
    core = transformers["core"].to_numpy(object).copy()
    no_connection = connection == ""
    notes.note(no_connection, "default_connection")
    connection[no_connection] = ASSUMED_CONNECTION
    no_core = (connection == "grounded_wye") & (core == "")
    notes.note(no_core, "default_core")
    core[no_core] = ASSUMED_CORE
    return connection, core


def _families(connection: Objects, core: Objects) -> tuple[Ints, Objects]:
    (one, connections), (other, cores) = pd.factorize(connection), pd.factorize(core)
    codes, place = np.unique(one * len(cores) + other, return_inverse=True)
    rows = [construction(str(connections[code // len(cores)]), str(cores[code % len(cores)])) for code in codes]
    family = np.array([NOT_SUSCEPTIBLE if row.circuit is None else int(row.circuit) for row in rows], np.int64)
    reason = np.array([row.reason for row in rows], object)
    return family[place.ravel()], reason[place.ravel()]


def _losses(
    transformers: pd.DataFrame, rating: Floats, volts: Floats, *, catalogue: Catalogue, notes: _Notes
) -> Floats:
    loss = transformers["no_load_loss_w"].to_numpy(np.float64, copy=True)
    missing = ~np.isfinite(loss) & (rating > 0)
    notes.note(missing, "default_no_load_loss")
    loss[missing] = catalogue.default_no_load_loss_w(rating[missing], volts[missing])
    return np.where(rating > 0, loss, 0.0)


def _magnetizing(
    transformers: pd.DataFrame,
    rating: Floats,
    volts: Floats,
    loss: Floats,
    *,
    catalogue: Catalogue,
    exciting_pu: float | None,
    notes: _Notes,
) -> Floats:
    """Magnetizing power, VA; an exciting current not above the core loss has none and takes the default."""
    loss_pu = np.divide(loss, rating, out=np.zeros(len(loss)), where=rating > 0)
    part = magnetizing_pu(exciting_pu=transformers["exciting_pu"].to_numpy(np.float64), core_loss_pu=loss_pu)
    missing = ~np.isfinite(part) & (rating > 0)
    notes.note(missing, "default_exciting")
    if missing.any():
        if exciting_pu is None:
            default = catalogue.default_exciting_pu(rating[missing], volts[missing], core_loss_pu=loss_pu[missing])
        else:
            default = np.hypot(exciting_pu, loss_pu[missing])
        part[missing] = magnetizing_pu(exciting_pu=default, core_loss_pu=loss_pu[missing])
    return np.where(rating > 0, rating * np.nan_to_num(part), 0.0)
