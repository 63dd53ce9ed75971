"""The desk table: allowed cable length by rating, winding and cable type, by the screening limit and by the study."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from survey.arrays import Floats
from survey.assess.behaviour import curve_library
from survey.desk.checks import check_field, check_inside, named_cable
from survey.desk.circuit import Bench, Cable, Transformer, make_bench, section_circuits, without_cable
from survey.desk.lengths import (
    LONGEST_M,
    allowed_charging_pu,
    charging_of_length_pu,
    length_of_charging_m,
    screen_charging_pu,
)
from survey.errors import ModelError
from survey.physics.catalogue import CLASS_MARGIN, Catalogue
from survey.physics.families import CONSTRUCTIONS
from survey.settings import Settings

KVA: Final = {
    60: (45.0, 75.0, 112.5, 150.0, 225.0, 300.0, 500.0, 750.0, 1000.0, 1500.0, 2500.0),
    50: (50.0, 100.0, 160.0, 250.0, 315.0, 400.0, 500.0, 630.0, 1000.0, 1600.0, 2500.0),
}
"""Usual three-phase ratings by frequency (common practice, no source; those of 50 Hz are of the series R10)."""
STUDIED: Final = tuple(row for row in CONSTRUCTIONS if row.circuit is not None and not row.approximation)
WINDINGS: Final = tuple((row.connection, row.core) for row in STUDIED)
TITLES: Final = {row.connection: row.title.capitalize() for row in STUDIED}
SHOWN_SIZES: Final = {60: ("#2", "1/0", "4/0", "500", "1000"), 50: ("70", "120", "185", "300", "500")}
"""Conductor sizes that stand for the catalogue where there is no room for all (common practice, no source)."""


@dataclass(frozen=True)
class DeskTable:
    """Allowed lengths, and what they hold for.

    Parameters
    ----------
    rows
        ``kva, connection, core, cable_type, cap_nf_km, own_nf, nll_w, exc_pct, screen_m, study_m, loaded_m``; lengths
        in metres, NaN where the study was left out.
    shown
        Cable types for a page, out of those in ``rows``.
    kv
        Rated primary voltage [kV].
    load_share
        Load that ``loaded_m`` is for [share of rating].
    settings
        Limits, frequency and model.
    assumed
        Defaults taken, in words.
    """

    rows: pd.DataFrame
    shown: tuple[str, ...]
    kv: float
    load_share: float
    settings: Settings
    assumed: tuple[str, ...]

    @property
    def studied(self) -> bool:
        """Whether it has lengths by the study."""
        return bool(self.rows["study_m"].notna().any())


def not_susceptible_lines() -> list[str]:
    """The windings that need no limit, each with its reason."""
    return [f"Not susceptible, any length: {row.reason}." for row in CONSTRUCTIONS if row.reason]


APPROXIMATED: Final = " ".join(
    f"{row.title.capitalize()}: {row.approximation}; an approximation." for row in CONSTRUCTIONS if row.approximation
)


def desk_table(
    kv: float,
    *,
    settings: Settings,
    catalogue: Catalogue,
    cables: Sequence[str] = (),
    load_share: float = 0.05,
    study: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> DeskTable:
    """Work out the table.

    Parameters
    ----------
    kv
        Rated primary line-to-line voltage [kV].
    cables
        Cable types; those of the catalogue's voltage class when empty.
    load_share
        Resistive secondary load for a second length by study [share of rating].
    study
        Whether to study, or to give the screening limit only.

    Raises
    ------
    ModelError
        The voltage is out of range, a cable type is unknown, or the catalogue has none of that class.
    """
    check_field("kv", kv, option="--kv")
    chosen = choose_cables(kv, cables, catalogue=catalogue, settings=settings)
    if not 0 < load_share <= 1:
        msg = f"--load-pct: load, % of rating: found {load_share * 100:g}, expected above 0 to 100; correct it"
        raise ModelError(msg)
    machines = [
        Transformer(kva * 1e3, kv * 1e3, connection, core, load_w=kva * 1e3 * load_share)
        for connection, core in WINDINGS
        for kva in KVA[settings.electrical.frequency_hz]
    ]
    unstudied = settings.study.model_copy(update={"run": False})
    bench = make_bench(machines, settings=settings.model_copy(update={"study": unstudied}))
    charging = allowed_charging(bench, chosen, settings=settings, study=study, progress=progress)
    rows = pd.concat(
        [_rows(bench, key, cable=cable, allowed=charging, settings=settings) for key, cable in chosen.items()]
    )
    return DeskTable(
        rows=rows.reset_index(drop=True),
        shown=shown_types(chosen, cables, settings=settings, catalogue=catalogue),
        kv=kv,
        load_share=load_share,
        settings=settings,
        assumed=bench.assumed,
    )


def choose_cables(kv: float, keys: Sequence[str], *, catalogue: Catalogue, settings: Settings) -> dict[str, Cable]:
    """The cables asked for, or those of the catalogue for this voltage: the class just above it, of each standard."""
    if keys:
        return {key: named_cable(key, voltage_v=kv * 1e3, catalogue=catalogue, settings=settings) for key in keys}
    table = catalogue.cable_types
    fits = table[table["kv_class"] * CLASS_MARGIN >= kv]
    if fits.empty:
        msg = f"--kv: the catalogue has no cable type for {kv:g} kV; name one with --cable"
        raise ModelError(msg)
    fits = fits[fits["kv_class"] == fits.groupby("standard")["kv_class"].transform("min")]
    return {
        str(key): Cable(float(cap), f"catalogue, {key}", type=str(key))
        for key, cap in fits[["key", "cap_f_m"]].to_numpy(object)
    }


def shown_types(
    chosen: dict[str, Cable], asked: Sequence[str], *, settings: Settings, catalogue: Catalogue
) -> tuple[str, ...]:
    """Those asked for; else XLPE of the thinner wall in a spread of sizes, North American at 60 Hz, metric at 50 Hz."""
    if asked:
        return tuple(chosen)
    hertz = settings.electrical.frequency_hz
    table = catalogue.cable_types
    table = table[table["key"].isin(list(chosen)) & (table["insulation"] == "XLPE") & (table["level_pct"] == 100)]
    wanted = table[(table["standard"] == ("na" if hertz == 60 else "iec")) & table["size"].isin(SHOWN_SIZES[hertz])]
    wanted = (wanted if len(wanted) else table).drop_duplicates("size")
    return tuple(str(key) for key in wanted.sort_values("cap_f_m")["key"].head(len(SHOWN_SIZES[hertz])))


@dataclass(frozen=True)
class AllowedCharging:
    """Charging power allowed to every transformer [per unit of rating], shape (n,): by screen, by study, with load."""

    screen_pu: Floats
    study_pu: Floats
    loaded_pu: Floats


def allowed_charging(
    bench: Bench,
    cables: dict[str, Cable],
    *,
    settings: Settings,
    study: bool,
    progress: Callable[[int, int], None] | None = None,
) -> AllowedCharging:
    """Charging power allowed, which is the same for every cable type; one study serves them all."""
    bare = without_cable(bench.totals)
    circuits = section_circuits(bare, settings=settings)
    check_inside(circuits)
    screen = screen_charging_pu(circuits, settings=settings)
    if not study:
        absent = np.full(len(screen), np.nan)
        return AllowedCharging(screen, absent, absent)
    largest = np.full(len(screen), max(cable.cap_f_m for cable in cables.values()))
    highest = charging_of_length_pu(
        np.full(len(screen), LONGEST_M), bare, cap_f_m=largest, frequency_hz=settings.electrical.frequency_hz
    )
    library = curve_library(settings)

    def by_study(load_pu: Floats) -> Floats:
        found = allowed_charging_pu(
            replace(circuits, load=load_pu),
            library=library,
            limit=settings.limits.voltage_pu,
            highest_pu=highest,
            progress=progress,
        )
        return np.nan_to_num(found)

    return AllowedCharging(screen, by_study(np.zeros(len(screen))), by_study(circuits.load))


def _rows(bench: Bench, key: str, *, cable: Cable, allowed: AllowedCharging, settings: Settings) -> pd.DataFrame:
    bare, windings = without_cable(bench.totals), bench.assessment.windings
    cap = np.full(len(bench.sites), cable.cap_f_m)
    hertz = settings.electrical.frequency_hz

    def metres(charging: Floats) -> Floats:
        length = length_of_charging_m(charging, bare, cap_f_m=cap, frequency_hz=hertz)
        return np.where(np.isnan(charging), np.nan, np.minimum(length, LONGEST_M))

    return pd.DataFrame(
        {
            "kva": windings.rating_va / 1e3,
            "connection": windings.connection,
            "core": windings.core,
            "cable_type": key,
            "cap_nf_km": cap * 1e12,
            "own_nf": windings.own_cap_f * 1e9,
            "nll_w": windings.loss_w,
            "exc_pct": np.hypot(windings.loss_w, windings.magnetizing_va) / windings.rating_va * 100,
            "screen_m": metres(allowed.screen_pu),
            "study_m": metres(allowed.study_pu),
            "loaded_m": metres(allowed.loaded_pu),
        }
    )
