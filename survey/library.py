"""The survey from Python: one import, the same answers and the same refusals as the commands.

>>> import survey
>>> result = survey.run("network.gpkg", study=False)
>>> result.sites.head()
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import geopandas as gpd
import pandas as pd

from survey.errors import ArgumentError
from survey.settings import Settings, build_settings, load_settings

if TYPE_CHECKING:
    import networkx as nx

    from survey.comparison.comparison import Comparison
    from survey.network.model import Network
    from survey.pipeline import Surveyed
    from survey.planning.planning import Plan
    from survey.report.reread import SavedSurvey
    from survey.what_if.sign_offs import SignOffs

__all__ = ["Survey", "compare", "load", "plan", "run", "site"]

P = ParamSpec("P")
T = TypeVar("T")
PathLike = str | Path


def _named(function: Callable[P, T]) -> Callable[P, T]:
    """Refuse arguments that do not exist, naming those that do."""
    signature = inspect.signature(function)

    @wraps(function)
    def checked(*args: P.args, **kwargs: P.kwargs) -> T:
        try:
            signature.bind(*args, **kwargs)
        except TypeError as error:
            msg = f"survey.{function.__name__}: {error}; its arguments: {', '.join(signature.parameters)}"
            raise ArgumentError(msg) from error
        return function(*args, **kwargs)

    return checked


@dataclass(frozen=True)
class Survey:
    """A survey, just made or read back.

    Parameters
    ----------
    record
        The content of ``run.json``: versions, settings, counts, seconds.
    made, saved
        Where it comes from; one of them.
    """

    record: Mapping[str, Any]
    made: Surveyed | None = None
    saved: SavedSurvey | None = None

    @cached_property
    def sites(self) -> gpd.GeoDataFrame:
        """One row per three-phase site, ranked; columns and units as in ``sites.csv``."""
        return self._points("sites", "site_points")

    @cached_property
    def switching_points(self) -> gpd.GeoDataFrame:
        """One row per single-pole switching point; columns and units as in ``switching_points.csv``."""
        return self._points("switching_points", "switch_points")

    @cached_property
    def findings(self) -> pd.DataFrame:
        """What was found in the data; columns as in ``findings.csv``."""
        return self.tables.findings

    @cached_property
    def graph(self) -> nx.MultiDiGraph[Hashable]:
        """The network in its normal state, see :func:`survey.network.export.to_graph`.

        Raises
        ------
        survey.SurveyError
            Of a survey that was read back: its export is not there any more, or is not the same.
        """
        from survey.network.export import to_graph

        if self.made is not None:
            return to_graph(self.made.network)
        return to_graph(_network_again(self))

    def save(self, folder: PathLike) -> Path:
        """Write the files that ``survey run`` writes, whole or not at all; gives the folder.

        Raises
        ------
        survey.SurveyError
            The survey was read back, or the folder cannot be written.
        """
        from survey.report.folder import reserve_folder
        from survey.report.outputs import write_outputs

        if self.made is None:
            msg = f"save {folder}: this survey was read from files; copy its folder"
            raise ArgumentError(msg)
        with reserve_folder(Path(folder)) as reservation:
            write_outputs(self.made.result, Path(folder), reservation=reservation)
        return Path(folder)

    @property
    def tables(self) -> Any:  # noqa: ANN401 - a result and a saved survey have the same tables
        """The plain tables and geometries behind the frames."""
        return self.saved if self.made is None else self.made.result

    def _points(self, table: str, points: str) -> gpd.GeoDataFrame:
        of = self.tables
        return gpd.GeoDataFrame(getattr(of, table), geometry=list(getattr(of, points)), crs=of.crs)


@_named
def run(
    network: PathLike,
    *,
    settings: PathLike | Mapping[str, Any] | Settings | None = None,
    study: bool = True,
    changes: PathLike | None = None,
    signed_off: PathLike | None = None,
    as_of: date | None = None,
) -> Survey:
    """Survey a network export.

    Parameters
    ----------
    network
        A GeoPackage, a folder of shapefiles, or a folder of GeoParquet files.
    settings
        A settings file (TOML), the same as a nested dict, or a settings object; defaults when not given.
    study
        False leaves out the time-domain study: scores come from the screening margin alone.
    changes
        Changes (CSV) to survey as if they were made.
    signed_off, as_of
        Sites that someone answers for (CSV), and the day they are looked at; today when not given.

    Raises
    ------
    survey.SurveyError
        The export, the settings or a list cannot be used: the line that the command would print.
    """
    from survey.pipeline import survey_network
    from survey.what_if.edits import read_changes

    used = _settings(settings)
    if not study:
        used = used.model_copy(update={"study": used.study.model_copy(update={"run": False})})
    made = survey_network(
        Path(network),
        settings=used,
        changes=() if changes is None else read_changes(Path(changes)),
        sign_offs=_sign_offs(signed_off, as_of),
    )
    return Survey(made.result.record, made=made)


@_named
def load(folder: PathLike) -> Survey:
    """Read a survey back from its output folder.

    Raises
    ------
    survey.SurveyError
        The folder is missing, is no survey, or a file in it is damaged.
    """
    from survey.report.reread import read_results

    saved = read_results(Path(folder))
    return Survey(saved.record, saved=saved)


@_named
def site(  # noqa: PLR0913 - one parameter for each line of a nameplate
    *,
    kva: float | str,
    kv: float | str,
    connection: str | None = None,
    core: str | None = None,
    cable: str | None = None,
    cap_nf_km: float | None = None,
    length_m: float = 0.0,
    load_kw: float = 0.0,
    nll_w: float | None = None,
    exc_pct: float | None = None,
    settings: PathLike | Mapping[str, Any] | Settings | None = None,
) -> pd.Series[Any]:
    """One transformer by hand, behind one length of cable; what is not given takes the survey's defaults.

    Parameters
    ----------
    kva, kv
        Three-phase rating [kVA] and rated primary line-to-line voltage [kV], or the nameplate's text.
    connection, core
        Codes of the input fields; the worst when not given.
    cable, cap_nf_km, length_m
        Type in the catalogue, or capacitance of one phase to ground [nF/km]; length [m].
    load_kw, nll_w, exc_pct
        Dependable three-phase load [kW], no-load loss [W], exciting current [% of rated].

    Returns
    -------
    pandas.Series
        Its row of the sites table: names and units as in ``sites.csv``.

    Raises
    ------
    survey.SurveyError
        A value cannot be, is not known, or lies outside the model.
    """
    from survey.desk.site import SiteOptions, answer_site, make_request
    from survey.physics.catalogue import Catalogue

    used = _settings(settings)
    typed = SiteOptions(
        kva=str(kva), kv=str(kv), connection=connection, core=core, cable=cable, cap_nf_km=cap_nf_km, length=length_m,
        load=load_kw, nll=nll_w, exc=exc_pct,
    )  # fmt: skip
    return answer_site(make_request(typed, Catalogue.load(), used), settings=used).row


@_named
def compare(old: PathLike, new: PathLike) -> Comparison:
    """What changed between two output folders, and the tags to add and remove.

    Raises
    ------
    survey.SurveyError
        One of them is missing, is no survey, or is damaged.
    """
    from survey.comparison.comparison import compare_surveys

    return compare_surveys(Path(old), Path(new))


@_named
def plan(
    folder: PathLike,
    *,
    budget: float,
    costs: Mapping[str, float] | None = None,
    must: frozenset[str] | set[str] = frozenset(),
    never: frozenset[str] | set[str] = frozenset(),
    least: Mapping[str, float] | None = None,
    most: Mapping[str, float] | None = None,
    network: PathLike | None = None,
) -> Plan:
    """The three-pole installs that remove most risk for a budget.

    Parameters
    ----------
    folder
        Output folder of a survey.
    budget
        Money, or the number of installs where none has a cost.
    costs
        Cost of ``three_pole``, ``add_three_pole``, or of one asset by id.
    must, never
        Ids of switches and sites that must be done, and that must not.
    least, most
        Least and largest share of the budget (0-1) by district.
    network
        Where the export is now, when it was moved.

    Raises
    ------
    survey.SurveyError
        The survey or its export cannot be read, or the terms cannot be kept.
    """
    from survey.planning.planning import make_plan
    from survey.planning.terms import PlanRequest

    request = PlanRequest(
        budget=budget,
        costs=dict(costs or {}),
        must=frozenset(must),
        never=frozenset(never),
        least=dict(least or {}),
        most=dict(most or {}),
    )
    return make_plan(Path(folder), request=request, network_path=None if network is None else Path(network))


def _network_again(survey: Survey) -> Network:
    """The network of a survey that was read back, from its export."""
    from survey.findings import FindingList
    from survey.network import build_network
    from survey.planning.planning import read_again
    from survey.what_if.edits import apply_changes, changes_from_record

    settings = build_settings(survey.record["settings"])
    tables = read_again(survey.tables, network_path=None, settings=settings)
    changes = changes_from_record(survey.record.get("changes", ()))
    return build_network(apply_changes(tables, changes), settings=settings.network, findings=FindingList())


def _settings(given: PathLike | Mapping[str, Any] | Settings | None) -> Settings:
    if isinstance(given, Settings):
        return given
    if given is None or isinstance(given, str | Path):
        return load_settings(None if given is None else Path(given))
    return build_settings(dict(given))


def _sign_offs(signed_off: PathLike | None, as_of: date | None) -> SignOffs | None:
    from survey.what_if.sign_offs import SignOffs, read_signed_off

    if signed_off is None:
        return None
    return SignOffs(read_signed_off(Path(signed_off)), as_of or datetime.now().astimezone().date())
