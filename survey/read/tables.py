"""Clean tables: what reading hands to the network stage.

Everything is SI, ids are unique text, rows are sorted by id, coordinates are planar metres in one working coordinate
system. No row of the export is missing here without a finding that names it.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from pyproj import CRS

from survey.arrays import Bools, Floats, Ints
from survey.projections import projection

PHASE_A, PHASE_B, PHASE_C = 1, 2, 4
THREE_PHASE = PHASE_A | PHASE_B | PHASE_C


@dataclass(frozen=True)
class Lines:
    """Drawn polylines in one flat array; a cable has one (or several, when its parts do not join), or none.

    Parameters
    ----------
    xy
        Vertices, shape (n_vertices, 2), planar metres in the working coordinate system.
    start
        First vertex of each line, shape (n_lines + 1,); line i is ``xy[start[i]:start[i + 1]]``, two vertices or more.
    owner
        Row of the cable in ``cables``, shape (n_lines,), rising.
    ground_m
        Length on the ground of each line, metres, shape (n_lines,).
    """

    xy: Floats
    start: Ints
    owner: Ints
    ground_m: Floats

    def ends(self) -> Floats:
        """First and last place of every line, shape (n_lines, 2, 2)."""
        ends = np.empty((len(self.owner), 2, 2))
        ends[:, 0], ends[:, 1] = self.xy[self.start[:-1]], self.xy[self.start[1:] - 1]
        return ends


LINES_AT_ONCE = 65_536


def some_lines(xy: Floats, start: Ints) -> Iterator[tuple[slice, Floats, Ints]]:
    """Lines of a flat array, some at a time: which they are, their vertices, and where each begins among these.

    What is computed of some is still near when it is used, and the memory is the same each time.
    """
    for first in range(0, len(start) - 1, LINES_AT_ONCE):
        some = start[first : first + LINES_AT_ONCE + 1]
        yield slice(first, first + len(some) - 1), xy[some[0] : some[-1]], some - some[0]


UNIT_COLUMNS = ("site_id", "phases", "rating_va", "node", "x", "y", "lon", "lat")


def no_units() -> pd.DataFrame:
    """No single-phase transformers."""
    import pandas as pd

    return pd.DataFrame({name: [] for name in UNIT_COLUMNS}).astype({"phases": np.uint8, "site_id": str, "node": str})


@dataclass(frozen=True)
class LeftOut:
    """A layer of the export that no role is made of: its name, what it is drawn as (``""``: a table), its rows."""

    name: str
    drawn: str
    rows: int


@dataclass(frozen=True)
class NetworkTables:
    """The export, cleaned. Missing text is ``""``, missing numbers NaN.

    Text columns have pandas' ``str`` type, but for ``feeder`` and ``cable_type`` of the cables, which repeat: those are
    categorical. ``row`` is the record's place in its layer, counted from 0; it changes with the order of the file, so
    that nothing in the outputs may depend on it.

    Parameters
    ----------
    cables
        ``cable_id, feeder, phases`` (uint8 mask, A=1 B=2 C=4), ``voltage_v, shielded`` (bool: build ``ug``),
        ``cable_type, cap_f_m`` (F/m, NaN when not given), ``length_m`` (recorded, NaN when not given), ``drawn_m``
        (on the ground, NaN without a geometry), ``from_node, to_node, row``.
    lines
        Drawn lines of the cables.
    transformers
        One row per three-phase site, banks joined: ``site_id, feeder, district, rating_va, voltage_v, connection, core,
        no_load_loss_w, exciting_pu`` (of rated current), ``min_load_w, minload_3p, arrester`` (codes), ``customers,
        critical`` (bool), ``node, x, y, lon, lat, row, units`` (records joined in this row), ``usable`` (bool: kva and
        kv are both usable).
    switches
        ``switch_id, single_pole`` (bool), ``presumed`` (bool: three-pole by its kind alone), ``device, open`` (bool:
        all poles), ``open_phases`` (mask), ``arrester`` (code), ``ops_year`` (NaN when not given), ``guards, node, x,
        y, lon, lat, row``.
    sources
        ``source_id, feeder, node, x, y, lon, lat, row``; no rows when the layer is missing.
    working_crs
        Planar coordinate system of ``x, y`` and ``lines``; axis unit metre.
    output_crs
        Coordinate system of the export's cables, used again for the outputs.
    other_units
        Places of transformers that are no three-phase site, nor part of one, shape (n, 2), metres; NaN where not drawn.
    one_phase
        Transformers on one phase or between two that are no part of a bank: ``site_id, phases`` (mask), ``rating_va``
        (0 when not usable), ``node, x, y, lon, lat``.
    counts
        Rows in and out of every layer, for the sums of ``run.json``: ``{layer: {"in": n, "used": n, ...}}``.
    fingerprints
        SHA-256 of every input file, by name.
    left_out
        Layers of the export that no role is made of, in file order, but for those that ``input.ignore`` names.
    """

    cables: pd.DataFrame
    lines: Lines
    transformers: pd.DataFrame
    switches: pd.DataFrame
    sources: pd.DataFrame
    working_crs: CRS
    output_crs: CRS
    other_units: Floats = field(default_factory=lambda: np.empty((0, 2)))
    one_phase: pd.DataFrame = field(default_factory=no_units)
    counts: dict[str, dict[str, int]] = field(default_factory=dict)
    fingerprints: dict[str, str] = field(default_factory=dict)
    left_out: tuple[LeftOut, ...] = ()

    @property
    def named(self) -> Bools:
        """Cables that have a node id at both ends, shape (n_cables,)."""
        return ((self.cables["from_node"] != "") & (self.cables["to_node"] != "")).to_numpy(bool)

    def lonlat(self, xy: Floats) -> tuple[float, float] | None:
        """Longitude and latitude in degrees (WGS 84) of one place, shape (2,), or ``None`` when it is unknown."""
        if not np.isfinite(xy).all():
            return None
        lon, lat = projection(self.working_crs, "EPSG:4326").transform(float(xy[0]), float(xy[1]))
        return round(lon, 7), round(lat, 7)
