"""The survey, from an export to a result: read, network, assess, collect."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import survey
from survey.aside import laid_aside
from survey.assess.assess import Assessment, assess_network
from survey.assess.cable_types import unread_cable_texts
from survey.assess.collect import collect_result, findings_table, section_members
from survey.assess.robustness import ranking_robustness
from survey.assess.score import BANDS
from survey.comparison.differences import with_base
from survey.findings import SEVERITIES, Finding, FindingList
from survey.first_look import FirstLook, take_first_look
from survey.kept_network import Kept, NetworkStore
from survey.memory import WORTH_GIVING_BACK, begin, give_back
from survey.network import build_network
from survey.network.model import Network
from survey.read import read_network
from survey.read.background import read_background
from survey.read.guess_values import unread_codes
from survey.read.tables import NetworkTables
from survey.result import CAUTION, SurveyResult
from survey.settings import Settings
from survey.utility_columns import add_utility_columns
from survey.what_if.edits import Change, apply_changes
from survey.what_if.said import changes_shown, marked_as_what_if
from survey.what_if.sign_offs import SignOffs


@dataclass
class Clock:
    """Seconds of every stage, in the order they were run; tells listeners when one begins, and how far the study is."""

    progress: Callable[[str], None] | None = None
    count: Callable[[int, int], None] | None = None
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time what is done inside."""
        if self.progress is not None:
            self.progress(name)
        start = time.perf_counter()
        yield
        give_back(worth=WORTH_GIVING_BACK)
        self.seconds[name] = round(time.perf_counter() - start, 3)


def run_survey(
    path: Path,
    *,
    settings: Settings | None = None,
    progress: Callable[[str], None] | None = None,
    count: Callable[[int, int], None] | None = None,
    changes: Sequence[Change] = (),
    sign_offs: SignOffs | None = None,
) -> SurveyResult:
    """Survey one network export, see :func:`survey_network`; the network itself is dropped, which frees its memory."""
    return survey_network(
        path, settings=settings, progress=progress, count=count, changes=changes, sign_offs=sign_offs
    ).result


def survey_network(
    path: Path,
    *,
    settings: Settings | None = None,
    progress: Callable[[str], None] | None = None,
    count: Callable[[int, int], None] | None = None,
    changes: Sequence[Change] = (),
    sign_offs: SignOffs | None = None,
) -> Surveyed:
    """Survey one network export.

    Parameters
    ----------
    path
        A GeoPackage, a folder of shapefiles, or a folder of GeoParquet files.
    settings
        Defaults when not given.
    progress
        Called with the name of each stage when it begins.
    count
        Called with points done and points to do while the study computes.
    changes
        A what-if: surveyed as if they were made, with a comparison with the network as it is in columns of the sites.
    sign_offs
        Sites that someone answers for.

    Raises
    ------
    survey.errors.SurveyError
        The export, the settings, the changes or the sign-offs cannot be used.
    """
    settings, clock = settings or Settings(), Clock(progress, count)
    begin()
    network, of_reading, of_building = _network(path, settings=settings, clock=clock)
    findings = FindingList(list(of_reading))
    background = read_background(settings.background, path, tables=network.tables, findings=findings)
    if changes:
        surveyed = _as_changed(
            network,
            changes,
            of_building=of_building,
            settings=settings,
            findings=findings,
            sign_offs=sign_offs,
            clock=clock,
        )
    else:
        findings.extend(of_building)
        surveyed = survey_built(network, settings=settings, findings=findings, sign_offs=sign_offs, clock=clock)
    result = surveyed.result
    record = make_record(path, surveyed.network, surveyed.assessment, settings=settings, findings=findings)
    # of the export as it is: what a change leaves without a single-pole point is no sign of settings that do not fit
    record["first_look"] = take_first_look(network, settings=settings).record()
    record |= result.record
    if settings.study.run and settings.study.sensitivity:
        with clock.stage("sensitivity"):
            record["sensitivity"] = ranking_robustness(
                surveyed.network, surveyed.assessment, settings=settings, progress=count
            )
    if changes:
        record["changes"] = [change.row() for change in changes]
        record["changes_shown"] = changes_shown(changes, surveyed.network.tables)
    if sign_offs is not None:
        record["signed_off"] = {
            "as_of": sign_offs.as_of.isoformat(),
            "holding": int((result.sites["signed_off"] != "").sum()),
        }
    waves: list[dict[str, Any]] = []
    if settings.study.run and settings.report.waveforms:
        with clock.stage("waveforms"):
            waves = drawn_waveforms(surveyed, settings=settings, progress=count)
    record["sites"] = summarise(result)
    record["seconds"] = clock.seconds
    result = replace(result, record=record, waveforms=waves, background=background)
    return replace(surveyed, result=result)


def _as_changed(
    network: Network,
    changes: Sequence[Change],
    *,
    of_building: Sequence[Finding],
    settings: Settings,
    findings: FindingList,
    sign_offs: SignOffs | None,
    clock: Clock,
) -> Surveyed:
    """Survey the network with changes made, compared with the network as it is."""
    with clock.stage("base"):
        of_base = FindingList(list(of_building))
        base = survey_built(network, settings=settings, findings=of_base, sign_offs=sign_offs).result
        tables = apply_changes(network.tables, changes)
    with clock.stage("network"):
        changed = build_network(tables, settings=settings.network, findings=findings)
    surveyed = survey_built(changed, settings=settings, findings=findings, sign_offs=sign_offs, clock=clock)
    return replace(surveyed, result=marked_as_what_if(with_base(surveyed.result, base), changes))


def _network(path: Path, *, settings: Settings, clock: Clock) -> Kept:
    """Read the export and build its network, or take it from an earlier survey."""
    store = NetworkStore(path, settings=settings)
    of_reading, of_building = FindingList(), FindingList()
    with clock.stage("read"):
        kept = store.load()
        tables = kept.network.tables if kept else laid_aside(read_network(path, settings=settings, findings=of_reading))
    with clock.stage("network"):
        if kept is None:
            network = build_network(tables, settings=settings.network, findings=of_building)
            del tables
            kept = Kept(network, tuple(of_reading), tuple(of_building))
            del network
            give_back()
            store.save(kept)
        return kept._replace(network=laid_aside(kept.network))


def drawn_waveforms(
    surveyed: Surveyed, *, settings: Settings, progress: Callable[[int, int], None] | None
) -> list[dict[str, Any]]:
    """Worst sequences of the leading sites, whose places there are their rows in the sites table."""
    from survey.assess.waveform import leading_waveforms

    ids = pd.Index(surveyed.network.tables.transformers["site_id"].astype(str))
    leading = surveyed.result.sites["site_id"].astype(str)[: settings.report.waveforms]
    return leading_waveforms(
        surveyed.assessment, ids.get_indexer(pd.Index(leading)), settings=settings, progress=progress
    )


@dataclass(frozen=True)
class Surveyed:
    """A network, its assessment, and the result."""

    network: Network
    assessment: Assessment
    result: SurveyResult


def survey_built(
    network: Network,
    *,
    settings: Settings,
    findings: FindingList,
    sign_offs: SignOffs | None = None,
    clock: Clock | None = None,
) -> Surveyed:
    """Survey a network."""
    clock, tables = clock or Clock(), network.tables
    with clock.stage("assess"):
        assessment = assess_network(network, settings=settings, findings=findings, progress=clock.count)
    with clock.stage("collect"):
        record = open_points_of(tables)
        members = section_members(network, assessment)
        record["sections_left_out"] = members.left_out
        give_back()
        result = collect_result(network, assessment, settings=settings, members=members, record=record)
        give_back()
        result = add_utility_columns(result, network, section=members.shown, sign_offs=sign_offs, findings=findings)
        give_back()
        table = findings_table(findings, network=network, assessment=assessment, members=members)
        give_back()
        result = replace(laid_aside(replace(result, findings=table, record={})), record=record)
    return Surveyed(network, assessment, result)


def open_points_of(tables: NetworkTables) -> dict[str, Any]:
    """Ids of the devices that are open in the normal state, sorted, and where they are.

    Longitude and latitude (WGS 84) of each, NaN where there is none.
    """
    opened = tables.switches.loc[tables.switches["open"].to_numpy(bool), ["switch_id", "lon", "lat"]]
    ids = opened["switch_id"].tolist()
    order = sorted(range(len(ids)), key=ids.__getitem__)
    places = opened[["lon", "lat"]].to_numpy(np.float64)[order].round(7).tolist()
    return {"open_devices": [ids[k] for k in order], "open_places": places}


def data_date(path: Path, files: Iterable[str]) -> str:
    """Day on which the youngest file of the export was written (UTC), as files tell it."""
    own = [path] if path.is_file() else [path / name for name in files]
    stamps = [file.stat().st_mtime for file in own if file.exists()]
    return datetime.fromtimestamp(max(stamps), UTC).date().isoformat() if stamps else ""


def make_record(
    path: Path, network: Network, assessment: Assessment, *, settings: Settings, findings: FindingList
) -> dict[str, Any]:
    """The content of ``run.json``: versions, settings, fingerprints, and both sides of every sum."""
    return {
        "survey": survey.__version__,
        "python": platform.python_version(),
        "caution": CAUTION,
        "network": str(path),
        "data_date": data_date(path, network.tables.fingerprints),
        "settings": settings.model_dump(mode="json"),
        "fingerprints": network.tables.fingerprints,
        "counts": network.tables.counts,
        "health": network.health,
        "stages": {
            "network": {"sites": len(network.tables.transformers), "walks": int(network.walks.supplied.sum())},
            "assess": {"sections": len(network.sections.device), "circuits": len(assessment.circuits.b)},
        },
        "findings": {s: sum(f.severity == s for f in findings) for s in SEVERITIES},
        "unread_codes": unread_codes(findings),
        "unread_cable_texts": unread_cable_texts(findings, network.tables.cables),
        "cable_texts": [
            {"read": text, "cables": count} for found in findings.of("cable_type_read") for text, count in found.texts
        ],
    }


def summarise(result: SurveyResult) -> dict[str, dict[str, int]]:
    """Number of sites by status and by band."""
    status = result.sites["status"].value_counts()
    band = result.sites["band"].value_counts()
    return {
        "status": {str(k): int(v) for k, v in sorted(status.items())},
        "band": {b: int(band.get(b, 0)) for b in reversed(BANDS)},
    }


def check_settings(path: Path, *, settings: Settings) -> FirstLook:
    """Read an export and build its network, and judge by it whether the settings fit; nothing is assessed.

    Raises
    ------
    survey.errors.SurveyError
        The export cannot be read by these settings.
    """
    findings = FindingList()
    tables = read_network(path, settings=settings, findings=findings)
    network = build_network(tables, settings=settings.network, findings=findings)
    return take_first_look(network, settings=settings)
