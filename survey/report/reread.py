"""Read a survey's output folder back, for sheets, plan and compare."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.errors
import shapely
from pandas.api.types import is_object_dtype
from pyproj import CRS

from survey.arrays import Objects
from survey.errors import OutputError, permitted
from survey.own_files import CSV_FILES, GPKG_FILE, NETWORK_FILE, RECORD_FILE
from survey.read.live import stamps
from survey.report.background import KINDS, no_background
from survey.report.folder import half_moved, reserve_folder
from survey.report.gpkg import places
from survey.report.tables import read_csv


@dataclass(frozen=True)
class SavedSurvey:
    """A survey as its output folder holds it; units as in the column names.

    Parameters
    ----------
    folder
        Where it was read from.
    sites, switching_points, findings
        Result tables; missing text ``""``, missing numbers NaN.
    site_points, switch_points
        Points aligned with ``sites`` and ``switching_points``, in ``crs``; ``None`` where there is none. Shape (n,).
    sections
        Exposed sections: ``switch_id, feeder, switch_device, exposed_cable_m, exposed_sites, exposed_kva, peak_pu,
        top_priority, band``, geometry in ``crs``.
    network
        Every drawn cable: ``cable_id, feeder, shielded`` (bool), ``length_m``, geometry in ``crs``.
    crs
        Coordinate system of the export the survey was made from.
    record
        Content of ``run.json``.
    background
        The user's own layers: ``look, label``, geometry in ``crs``.
    """

    folder: Path
    sites: pd.DataFrame
    switching_points: pd.DataFrame
    findings: pd.DataFrame
    site_points: Objects
    switch_points: Objects
    sections: gpd.GeoDataFrame
    network: gpd.GeoDataFrame
    crs: CRS
    record: dict[str, Any]
    background: gpd.GeoDataFrame = field(default_factory=no_background)

    @property
    def export(self) -> Path:
        """The export it was made from: where it lies from the folder, else as it was typed."""
        typed = Path(self.record["network"])
        here = self.folder / self.record.get("network_from_here", typed)
        return here if here.exists() else typed


@permitted()
def read_results(folder: Path, *, drawn: bool = True, sections: bool = True) -> SavedSurvey:
    """Read a survey back.

    Parameters
    ----------
    folder
        Output folder of ``survey run``.
    drawn
        Also read sections and network; without them these two have no rows, which is much faster.
    sections
        Also read the sections where anything drawn is read.

    Raises
    ------
    OutputError
        The folder is missing, is not a survey, or a file in it is damaged.
    SurveyError
        This account may not look into it.
    """
    if half_moved(folder):  # by a run that was killed: what it left is undone
        with reserve_folder(folder):
            pass
    _check(folder)
    files = [folder / name for name in (*CSV_FILES, GPKG_FILE, NETWORK_FILE, RECORD_FILE)]
    before = stamps(files)
    sites, switching_points, findings = (_table(folder, name) for name in CSV_FILES)
    with _refusals(folder, RECORD_FILE):
        record = json.loads((folder / RECORD_FILE).read_text(encoding="utf-8"))
    with _refusals(folder, GPKG_FILE):
        exposed = _layer(folder / GPKG_FILE, "sections", drawn=drawn and sections)
        background = _background(folder / GPKG_FILE) if drawn else no_background()
    with _refusals(folder, NETWORK_FILE):
        network = _network(folder / NETWORK_FILE, drawn=drawn)
    _refuse_moved(folder, files, before=before)
    crs = exposed.crs
    return SavedSurvey(
        folder, sites, switching_points, findings, _points(sites, crs), _points(switching_points, crs),
        exposed, network, crs, record, background,
    )  # fmt: skip


def _refuse_moved(folder: Path, files: list[Path], *, before: list[tuple[int, int] | None]) -> None:
    """Refuse what may be a part of one survey and a part of another."""
    if half_moved(folder) or stamps(files) != before:
        msg = f"survey {folder}: was replaced while it was read; try again"
        raise OutputError(msg)


def _check(folder: Path) -> None:
    if not folder.is_dir():
        msg = f"survey {folder}: no such folder; give the output folder of 'survey run'"
        raise OutputError(msg)
    needed = (*CSV_FILES, GPKG_FILE, NETWORK_FILE, RECORD_FILE)
    missing = [name for name in needed if not (folder / name).is_file()]
    if len(missing) == len(needed):
        msg = f"survey {folder}: not a survey; give the output folder of 'survey run'"
        raise OutputError(msg)
    if missing:
        msg = f"survey {folder}: {', '.join(missing)} missing; run the survey again"
        raise OutputError(msg)


@contextmanager
def _refusals(folder: Path, name: str) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError, KeyError, pa.ArrowException, pyogrio.errors.DataSourceError,
            pyogrio.errors.DataLayerError, shapely.errors.ShapelyError) as error:  # fmt: skip
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        msg = f"survey {folder}: {name} cannot be read ({reason}); run the survey again"
        raise OutputError(msg) from error


def _table(folder: Path, name: str) -> pd.DataFrame:
    tables = {"sites.csv": "sites", "switching_points.csv": "switching_points", "findings.csv": "findings"}
    with _refusals(folder, name):
        return read_csv(folder / name, table=tables[name])  # type: ignore[arg-type]


def _layer(path: Path, name: str, *, drawn: bool) -> gpd.GeoDataFrame:
    frame = pyogrio.read_dataframe(path, layer=name, use_arrow=True, max_features=None if drawn else 0)
    text = [
        name for name in frame.columns if is_object_dtype(frame[name]) or isinstance(frame[name].dtype, pd.StringDtype)
    ]
    frame[text] = frame[text].fillna("")
    return frame


def _background(path: Path) -> gpd.GeoDataFrame:
    there = {str(row[0]) for row in pyogrio.list_layers(path)}
    names = [f"background_{kind}" for kind in KINDS if f"background_{kind}" in there]
    return pd.concat([_layer(path, name, drawn=True) for name in names]) if names else no_background()


def _network(path: Path, *, drawn: bool) -> gpd.GeoDataFrame:
    from pyarrow import parquet

    if drawn:
        return gpd.read_parquet(path)
    metadata = parquet.read_metadata(path)
    if b"geo" not in (metadata.metadata or {}):
        msg = "not a GeoParquet file"
        raise ValueError(msg)
    return gpd.GeoDataFrame({"cable_id": [], "feeder": [], "shielded": [], "length_m": []}, geometry=[])


def _points(frame: pd.DataFrame, crs: CRS) -> Objects:
    return places(frame["lon"].to_numpy(dtype=float), frame["lat"].to_numpy(dtype=float), crs=crs)
