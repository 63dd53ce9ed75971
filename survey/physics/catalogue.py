"""The catalogue: cable types, insulation walls and transformer defaults, each with its source.

Reads the CSV tables of ``survey/data``; every row there carries a ``source`` key that ``sources.csv`` explains.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import resources
from types import MappingProxyType
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from survey.physics.arrester import thermal_limit_j
from survey.physics.cable import coaxial_capacitance_f_m, over_screen_m

NANO, KILO = 1e-9, 1e3
LEAST_WALL, MOST_WALL = 0.6, 2.0
"""A wall that a cable's text tells is believed within these shares of the usual one of its class; paper has less than
extruded insulation, old cable more (common practice, no source)."""
LEAST_KCMIL, MOST_KCMIL, MOST_AWG, LEAST_MM2, MOST_MM2 = 200.0, 2500.0, 8, 16.0, 2500.0
"""Sizes in use at medium voltage (common practice, no source); what lies outside is another number than a size."""
EXCITING_OVER_LOSS: Final = 1.5
"""Exciting current over core loss of a unit without a record: 0.3 % at 0.2 %, the value at which the published onset of
five-legged cores, charging equal to loss, holds in the study. A larger one would be the unsafe side."""
CLASS_MARGIN = 1.05
"""A nominal voltage up to this much above a class still belongs to it (system voltages run to 105 %: ANSI C84.1)."""


class CableBuild(NamedTuple):
    """Capacitance of a cable described by its parts.

    ``cap_f_m`` is NaN where the parts do not fix it; ``assumed`` says in words what stood in for missing parts.
    """

    cap_f_m: float
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class Catalogue:
    """Published and derived values by key, class and rating. Made by :meth:`load`.

    Parameters
    ----------
    cable_types
        One row per type: ``key, match, standard, size, insulation, kv_class, level_pct, cap_f_m, source``.
    cable_classes
        Stand-ins by class, rising: ``kv_class, cap_f_m, low_f_m, high_f_m, source``.
    conductors, insulation_walls, insulations
        Parts of a cable: diameter by size, wall by class and level, permittivity and conductor screen by insulation.
    transformer_defaults
        ``kv_class, kva, no_load_loss_pct, source``, rising.
    arrester_classes
        ``up_to_kv, duty_kv, continuous_kv, energy_kj_per_kv, source``, rising.
    sources
        Citation and marking by source key.
    """

    cable_types: pd.DataFrame
    cable_classes: pd.DataFrame
    conductors: pd.DataFrame
    insulation_walls: pd.DataFrame
    insulations: pd.DataFrame
    transformer_defaults: pd.DataFrame
    arrester_classes: pd.DataFrame
    sources: Mapping[str, str]

    @classmethod
    @cache
    def load(cls) -> Catalogue:
        """Read the tables that come with the package."""
        sources = _table("sources")
        return cls(
            cable_types=_cable_types(_table("cable_types")),
            cable_classes=_cable_classes(_table("cable_classes")),
            conductors=_table("conductors"),
            insulation_walls=_table("insulation_walls"),
            insulations=_table("insulations"),
            transformer_defaults=_table("transformer_defaults"),
            arrester_classes=_table("arrester_classes"),
            sources=MappingProxyType(dict(zip(sources["key"], sources["citation"], strict=True))),
        )

    def cable_capacitance_f_m(
        self, keys: ArrayLike, voltage_v: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.str_]]:
        """Capacitance of one phase of shielded cable to ground, and where it comes from.

        Parameters
        ----------
        keys
            Catalogue keys, matched without regard to case and spaces; ``""`` for a cable without a type.
        voltage_v
            Nominal line-to-line voltage [V], same shape.

        Returns
        -------
        cap_f_m
            F/m, NaN for origin ``none``.
        origin
            ``type`` (the key is known), ``class`` (stand-in by voltage class) or ``none`` (no type, no usable voltage).
        """
        by_type = self._of_type(keys)
        voltage = np.broadcast_to(np.asarray(voltage_v, float), by_type.shape)
        by_class = self.class_capacitance_f_m(voltage)
        known = ~np.isnan(by_type)
        origin = np.where(known, "type", np.where(np.isnan(by_class), "none", "class"))
        return np.where(known, by_type, by_class), origin

    def knows(self, keys: ArrayLike) -> NDArray[np.bool_]:
        """Whether the catalogue has these keys; same shape."""
        return ~np.isnan(self._of_type(keys))

    def class_capacitance_f_m(self, voltage_v: ArrayLike, *, bound: str = "cap") -> NDArray[np.float64]:
        """Stand-in for cable of unknown type, by voltage class, F/m; NaN where the voltage is not usable.

        Parameters
        ----------
        voltage_v
            Nominal line-to-line voltage [V].
        bound
            ``cap`` for the stand-in itself (500 kcmil, 100 % wall: the larger, safe side), ``low`` or ``high`` for
            the ends of what the catalogue holds in that class.
        """
        voltage = np.asarray(voltage_v, float)
        values = self.cable_classes[f"{bound}_f_m"].to_numpy()[self._class_row(voltage)]
        return np.where(voltage > 0, values, np.nan)

    def default_no_load_loss_w(self, rating_va: ArrayLike, voltage_v: ArrayLike) -> NDArray[np.float64]:
        """No-load loss of a three-phase transformer in service, W.

        Straight lines over log kVA through the table's share of rating; its ends hold outside.

        Parameters
        ----------
        rating_va
            Three-phase rating [VA].
        voltage_v
            Rated primary line-to-line voltage [V]; below 20 kV the 15 kV figures, from there the 35 kV ones.
        """
        rating = np.asarray(rating_va, float)
        return np.asarray(rating * self._default_share(rating, voltage_v, column="no_load_loss_pct"))[()]

    def default_exciting_pu(
        self, rating_va: ArrayLike, voltage_v: ArrayLike, *, core_loss_pu: ArrayLike | None = None
    ) -> NDArray[np.float64]:
        """Exciting current, per unit of rated: :data:`EXCITING_OVER_LOSS` times the no-load loss.

        Parameters
        ----------
        rating_va
            Three-phase rating [VA].
        voltage_v
            Rated primary line-to-line voltage [V].
        core_loss_pu
            No-load loss on record [pu of rating]; the default one where it is not given.
        """
        if core_loss_pu is None:
            core_loss_pu = self._default_share(rating_va, voltage_v, column="no_load_loss_pct")
        return np.asarray(EXCITING_OVER_LOSS * np.asarray(core_loss_pu, float))[()]

    def arrester_limit_j(self, voltage_v: ArrayLike, *, energy_kj_per_kv: float | None = None) -> NDArray[np.float64]:
        """Energy that the usual arrester of a system takes before it runs away, J.

        Parameters
        ----------
        voltage_v
            Nominal line-to-line voltage [V].
        energy_kj_per_kv
            Energy per kV of continuous rating, in place of the table's.

        Returns
        -------
        J; NaN above the highest class and where the voltage is not known.
        """
        kv, classes = np.asarray(voltage_v, float) / KILO, self.arrester_classes
        tops = classes["up_to_kv"].to_numpy(float)
        row = np.minimum(np.searchsorted(tops, np.nan_to_num(kv)), len(tops) - 1)
        energy = classes["energy_kj_per_kv"].to_numpy(float)[row] if energy_kj_per_kv is None else energy_kj_per_kv
        limit = thermal_limit_j(
            continuous_v=classes["continuous_kv"].to_numpy(float)[row] * KILO, energy_j_per_v=energy
        )
        return np.where((kv > 0) & (kv <= tops[-1]), limit, np.nan)[()]

    def capacitance_of(
        self,
        *,
        conductor_size: str,
        kv_class: float,
        insulation: str = "",
        level_pct: float | None = None,
        wall_mm: float | None = None,
    ) -> CableBuild:
        """Capacitance of a shielded cable described by its parts.

        Parameters
        ----------
        conductor_size
            ``#2``, ``1/0``, ``350`` (kcmil), or ``150mm2``; sizes between those of the table too.
        kv_class
            Voltage class, line-to-line [kV]; of ``12/20 kV`` the 20.
        insulation
            ``XLPE``, ``TR-XLPE``, ``EPR``, ``PE``, ``PILC`` or ``PVC``; without one EPR, the largest of those that are
            usual now.
        level_pct
            Insulation level [%]; 173 counts as 133; without one 100, the thinner wall.
        wall_mm
            Insulation wall [mm]; wins over the level's where it can be one of this class.
        """
        standard, size = _size(conductor_size)
        name = (insulation or "EPR").upper()
        name = "XLPE" if (standard, name) == ("iec", "TR-XLPE") else name
        conductor = self._conductor_mm(standard, size)
        material = self._materials.get((standard, name))
        usual = self._wall_mm(standard, kv_class=kv_class, level_pct=level_pct)
        if conductor is None or material is None or usual is None:
            return CableBuild(float("nan"), ())
        told = wall_mm if wall_mm and usual * LEAST_WALL <= wall_mm <= usual * MOST_WALL else None
        screen_mm, permittivity = material
        inner = over_screen_m(conductor_m=conductor, screen_m=screen_mm)
        outer = over_screen_m(conductor_m=inner, screen_m=told or usual)
        cap = coaxial_capacitance_f_m(
            over_insulation_m=outer / KILO,
            over_conductor_m=inner / KILO,
            permittivity=permittivity,
        )
        missing = (
            (not insulation, "insulation EPR"),
            (told is None and level_pct is None and standard == "na", "insulation level 100 %"),
            (told is None and name == "PILC", "the wall of extruded cable"),
            (told is None and bool(wall_mm), f"not the wall of {wall_mm or 0:.2f} mm, which does not suit the class"),
        )
        return CableBuild(float(cap), tuple(words for is_missing, words in missing if is_missing))

    @cached_property
    def _materials(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Screen [mm] and permittivity by standard and insulation."""
        rows = self.insulations.drop_duplicates(["standard", "insulation"])
        keys = zip(rows["standard"], rows["insulation"], strict=True)
        return dict(zip(keys, zip(rows["screen_mm"], rows["permittivity"], strict=True), strict=True))

    @cached_property
    def _walls(self) -> dict[str, pd.DataFrame]:
        """Thinnest and thickest wall [mm] by class [kV], by standard."""
        by_class = self.insulation_walls.groupby(["standard", "kv_class"])["wall_mm"].agg(["min", "max"])
        return {str(name): walls.droplevel(0) for name, walls in by_class.groupby(level=0)}

    def _wall_mm(self, standard: str, *, kv_class: float, level_pct: float | None) -> float | None:
        walls = self._walls[standard]
        row = np.searchsorted(walls.index.to_numpy(float) * CLASS_MARGIN, kv_class)
        if not kv_class > 0 or row == len(walls):
            return None
        thick = level_pct is not None and level_pct > 100
        return float(walls["max" if thick else "min"].to_numpy()[row])

    @cached_property
    def _fills(self) -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Areas of conductors, rising, and diameter [mm] over the root of the area, by standard."""
        found = {}
        for standard, rows in self.conductors.groupby("standard"):
            area = rows["size"].map(lambda text, name=standard: _area(name, text)).to_numpy(np.float64)
            order = np.argsort(area)
            found[str(standard)] = area[order], rows["diameter_mm"].to_numpy(np.float64)[order] / np.sqrt(area[order])
        return found

    def _conductor_mm(self, standard: str, size: str) -> float | None:
        """Diameter of a conductor; between and beyond those of the table the share of its area that is metal holds."""
        area = _area(standard, size)
        return None if area is None else float(np.interp(area, *self._fills[standard]) * np.sqrt(area))

    def _of_type(self, keys: ArrayLike) -> NDArray[np.float64]:
        codes, names = pd.factorize(np.asarray(keys, dtype=object).ravel())
        wanted = [_match_key(name) for name in names]
        values = self.cable_types.set_index("match")["cap_f_m"].reindex(wanted).to_numpy(float)
        return np.append(values, np.nan)[codes].reshape(np.shape(keys))

    def _class_row(self, voltage_v: NDArray[np.float64]) -> NDArray[np.intp]:
        classes = self.cable_classes["kv_class"].to_numpy(float) * CLASS_MARGIN * KILO
        return np.minimum(np.searchsorted(classes, np.nan_to_num(voltage_v)), len(classes) - 1)

    def _default_share(self, rating_va: ArrayLike, voltage_v: ArrayLike, *, column: str) -> NDArray[np.float64]:
        rating, voltage = np.broadcast_arrays(np.asarray(rating_va, float), np.asarray(voltage_v, float))
        low, high = (
            np.interp(np.log(np.where(rating > 0, rating, 1.0)), np.log(rows["kva"] * KILO), rows[column] / 100)
            for _, rows in self.transformer_defaults.groupby("kv_class")
        )
        share = np.where(voltage < 20e3, low, high)
        return np.where((rating > 0) & (voltage > 0), share, np.nan)[()]


def _table(name: str) -> pd.DataFrame:
    with resources.files("survey").joinpath("data", f"{name}.csv").open(encoding="utf-8") as file:
        return pd.read_csv(file, dtype={"size": str, "key": str})


def _cable_types(table: pd.DataFrame) -> pd.DataFrame:
    """Published capacitance where there is one, else the coaxial formula on the row's geometry."""
    of_geometry = coaxial_capacitance_f_m(
        over_insulation_m=table["over_insulation_mm"] / KILO,
        over_conductor_m=table["over_conductor_mm"] / KILO,
        permittivity=table["permittivity"],
    )
    published = table["cap_nf_km"].to_numpy(float) * NANO / KILO
    capacitance = np.where(np.isnan(published), of_geometry, published)
    return table.assign(cap_f_m=capacitance, match=table["key"].map(_match_key))


def _cable_classes(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(
        **{f"{bound}_f_m": table[f"{bound}_nf_km"] * NANO / KILO for bound in ("cap", "low", "high")}
    ).sort_values("kv_class")


def _match_key(key: object) -> str:
    return "".join(str(key).split()).casefold()


def _area(standard: str, size: str) -> float | None:
    """Area of a conductor, mm² (``iec``) or kcmil, ``None`` for what is no size of a medium-voltage cable.

    AWG by its definition: 0.005 inch for number 36, 0.46 inch for 4/0, 39 equal ratios between (ASTM B258).
    """
    awg = re.fullmatch(r"#(\d+)|([1-4])/0", size)
    if awg and standard == "na":
        number = 1 - int(awg[2]) if awg[2] else int(awg[1])
        return (5.0 * 92.0 ** ((36 - number) / 39)) ** 2 / 1e3 if number <= MOST_AWG else None
    least, most = (LEAST_MM2, MOST_MM2) if standard == "iec" else (LEAST_KCMIL, MOST_KCMIL)
    plain = re.fullmatch(r"\d+(\.\d+)?", size)
    return float(size) if plain and least <= float(size) <= most else None


def _size(text: str) -> tuple[str, str]:
    """Standard and size as in ``conductors.csv``."""
    plain = _match_key(text).removesuffix("awg").removesuffix("kcmil").removesuffix("mcm")
    if plain.endswith(("mm2", "mm²")):
        return "iec", plain[:-3]
    return "na", f"#{plain}" if plain in {"1", "2", "3", "4", "6", "8"} else plain
