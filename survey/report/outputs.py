"""Write a survey into its output folder: every file, or none."""

import errno
import json
import math
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
import pyarrow as pa
import pyogrio.errors

from survey.apart import refuse_overlap
from survey.errors import OutputError
from survey.fingerprint import survey_fingerprint
from survey.memory import WORTH_GIVING_BACK, give_back, thread_pool
from survey.own_files import GPKG_FILE, MAP_FILE, NETWORK_FILE, OUTPUT_FILES, RECORD_FILE, made_from_survey
from survey.report.folder import Reservation, commit, refusal, reserve_folder
from survey.report.gpkg import ResultTables, write_gpkg
from survey.report.tables import arrow_table, write_csv
from survey.report.wkb import write_geoparquet
from survey.result import SurveyResult

Progress = Callable[[str], None]

NETWORK_COLUMNS = ("cable_id", "feeder", "shielded", "length_m")

_FULL_DISK_BYTES = 1 << 20


def write_outputs(
    result: SurveyResult, folder: Path, *, progress: Progress | None = None, reservation: Reservation | None = None
) -> None:
    """Write all output files into ``folder``; on any failure, Ctrl-C included, it is left exactly as it was.

    Plans and sheets that were made from another survey in ``folder`` are moved into a folder of their own there.

    Parameters
    ----------
    result
        What the survey found.
    folder
        OUT; made when missing. Files there that are not the survey's are left alone.
    progress
        Called with the name of each file before it is written.
    reservation
        Hold of ``folder`` from :func:`survey.report.folder.reserve_folder`, for a run that took it before
        it computed anything; taken here when not given.

    Raises
    ------
    OutputError
        OUT is a file, cannot be written to, holds the export or lies in it, the disk is full, or another run is
        writing there.
    """
    if reservation is None:
        with reserve_folder(folder, names=OUTPUT_FILES) as held:
            write_outputs(result, folder, progress=progress, reservation=held)
        return
    if export := result.record.get("network"):
        refuse_overlap(folder, export=Path(export))
        result = replace(result, record={**result.record, "network_from_here": path_from(folder, Path(export))})
    with _refusals(folder):
        _write_all(result, reservation.staging, progress or (lambda _: None))
        earlier = _of_another_survey(reservation.folder, result.record)
    commit(reservation, names=OUTPUT_FILES, earlier=earlier)


def path_from(folder: Path, path: Path) -> str:
    """Way to a path from a folder, so that it is found from any working folder; absolute on another drive."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return str(path.resolve())


def _of_another_survey(folder: Path, record: dict[str, Any]) -> list[str]:
    """Files in OUT that were made from a survey that this one is not."""
    made = made_from_survey(path.name for path in folder.iterdir()) if folder.is_dir() else []
    if not made:
        return []
    try:
        before = survey_fingerprint(json.loads((folder / RECORD_FILE).read_text(encoding="utf-8")))
    except (OSError, ValueError, AttributeError):  # no survey there any more, or a damaged one
        return made
    return [] if before == survey_fingerprint(_plain(record)) else made


@contextmanager
def _refusals(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise refusal(folder, error) from error
    except (sqlite3.Error, pa.ArrowException, pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        if shutil.disk_usage(folder.resolve().parent).free < _FULL_DISK_BYTES:
            raise refusal(folder, OSError(errno.ENOSPC, "")) from error
        msg = f"output {folder}: cannot be written: {str(error).splitlines()[0]}; give another folder"
        raise OutputError(msg) from error


def _write_all(result: SurveyResult, staging: Path, progress: Progress) -> None:
    seconds: dict[str, float] = {}
    give_back(worth=WORTH_GIVING_BACK)
    tables = ResultTables(
        arrow_table(result.sites, table="sites"),
        arrow_table(result.switching_points, table="switching_points"),
        arrow_table(result.findings, table="findings"),
    )
    writers: dict[str, Callable[[Path], None]] = {
        "sites.csv": lambda path: write_csv(tables.sites, path, table="sites"),
        "switching_points.csv": lambda path: write_csv(tables.switching_points, path, table="switching_points"),
        "findings.csv": lambda path: write_csv(tables.findings, path, table="findings"),
        GPKG_FILE: lambda path: write_gpkg(result, path, tables=tables),
        NETWORK_FILE: lambda path: _write_network(result, path),
        MAP_FILE: lambda path: _write_map(result, path),
        RECORD_FILE: lambda path: write_record({**result.record, "write_seconds": seconds}, path),
    }
    with thread_pool(1) as flusher:
        flushed = []
        for name, write in writers.items():
            progress(name)
            start = perf_counter()
            write(staging / name)
            give_back(worth=WORTH_GIVING_BACK)
            seconds[name] = round(perf_counter() - start, 3)
            flushed.append(flusher.submit(_flush, staging / name))
        for future in flushed:
            future.result()


def _write_network(result: SurveyResult, path: Path) -> None:
    columns = result.cables[list(NETWORK_COLUMNS)]
    content = pa.Table.from_pandas(columns, preserve_index=False, nthreads=1)  # its threads may die at birth, unseen
    write_geoparquet(content, path, geometries=result.cable_lines, crs=result.crs)


def _write_map(result: SurveyResult, path: Path) -> None:
    from survey.report.map import render_map

    path.write_text(render_map(result), encoding="utf-8", newline="\n")


def write_record(record: dict[str, Any], path: Path) -> None:
    """Write a record as JSON: keys in their order, numbers that are none (NaN, infinity) as null; lists on one line."""
    plain = _plain(record)
    entries = [f"  {json.dumps(key)}: {_json(value)}" for key, value in plain.items()]
    path.write_text("{\n" + ",\n".join(entries) + "\n}\n", encoding="utf-8", newline="\n")


def _json(value: Any) -> str:  # noqa: ANN401 - JSON is anything
    if isinstance(value, list) and not any(isinstance(item, dict) for item in value):
        return json.dumps(value, ensure_ascii=False, allow_nan=False)
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False).replace("\n", "\n  ")


def _plain(value: Any) -> Any:  # noqa: ANN401 - JSON is anything
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list) and _is_plain(value):
        return value
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def _is_plain(values: list[Any]) -> bool:
    """Whether the encoder takes a list as it is, which it tells far sooner than a look at every item."""
    try:
        json.dumps(values, allow_nan=False)
    except (TypeError, ValueError):
        return False
    return True


def _flush(path: Path) -> None:
    """See a file onto the disk, while the next one is made, before an old one is given up for it."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
