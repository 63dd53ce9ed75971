"""What the tables get beside the survey's own columns: the utility's id and tag, circuits, sign-offs, open points."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from survey.arrays import Ints, Objects
from survey.errors import SettingsError
from survey.findings import FindingList
from survey.network.model import Network
from survey.result import SurveyResult, in_normal_state
from survey.settings import Settings
from survey.what_if.sign_offs import SignOffs, circuit_fingerprints, hold_sign_offs

OWN_COLUMNS = ("circuit", "signed_off")


def add_utility_columns(
    result: SurveyResult, network: Network, *, section: Ints, sign_offs: SignOffs | None, findings: FindingList
) -> SurveyResult:
    """Add ``circuit, signed_off``, the tag and the utility's own id to the sites, and ``open_points`` to the points.

    ``section``: of every point of the normal state. ``findings``: gets what is to be said of sign-offs.
    """
    sites = result.sites.copy(deep=False)
    refuse_taken(sites, result.settings)
    sites["circuit"] = circuit_fingerprints(sites)
    held = np.full(len(sites), "", object)
    if sign_offs is not None:
        held = hold_sign_offs(sites, sign_offs, findings=findings)
    sites["signed_off"] = held
    rows = held != ""
    if rows.any():
        words = [
            f"Signed off by {who}. Otherwise: {action}"
            for who, action in zip(held[rows], sites["action"][rows], strict=True)
        ]
        action = sites["action"].to_numpy(object, copy=True)
        action[rows] = words
        sites["action"] = action
    tags = result.settings.tags
    sites[tags.field] = site_tags(sites, result.settings)
    own = own_id_field(result.settings)
    if own and own not in sites.columns:
        sites[own] = sites["site_id"]
    points = result.switching_points.copy(deep=False)
    normal = in_normal_state(points)
    around = np.full(len(points), "", object)
    around[normal] = open_points(network, section)
    points["open_points"] = around
    return replace(result, sites=sites, switching_points=points)


def own_id_field(settings: Settings) -> str:
    """The utility's own column of the site id, ``""`` where it is ``site_id`` itself."""
    mapped = settings.input.transformers.fields.get("site_id", "")
    name = settings.tags.id_field or (mapped if isinstance(mapped, str) else "")
    return "" if name.casefold() == "site_id" else name


def refuse_taken(sites: pd.DataFrame, settings: Settings) -> None:
    """Refuse a tag column that the sites table has already.

    Raises ``SettingsError``: the name is taken.
    """
    taken = {str(name).casefold() for name in (*sites.columns, *OWN_COLUMNS)}
    if settings.tags.field.casefold() in taken:
        taken_by = f"{settings.tags.field!r} is a column of the sites table already"
        msg = f"settings key 'tags.field': {taken_by}; give another name"
        raise SettingsError(msg)


def site_tags(sites: pd.DataFrame, settings: Settings) -> Objects:
    """Tag of every site in the utility's own code, by its band, unless a sign-off holds; shape (n_sites,)."""
    tags = settings.tags
    codes: dict[str, str] = {str(band): code for band, code in tags.codes.items()}
    band, bands = pd.factorize(sites["band"], use_na_sentinel=False)
    plain = np.array([codes.get(str(name), tags.none) for name in bands], dtype=object)[band]
    return np.where(sites["signed_off"] != "", tags.signed_off, plain).astype(object)


def open_points(network: Network, which: Ints) -> Objects:
    """Ids of the open devices at the edge of sections, separated by blanks."""
    switches, graph, sections = network.tables.switches, network.graph, network.sections
    opened = np.flatnonzero(switches["open"].to_numpy(bool) & (graph.near >= 0))
    pairs = [sections.members(which, nodes) for nodes in (graph.near[opened], graph.far[opened])]
    owner, member = (np.concatenate(part) for part in zip(*pairs, strict=True))
    names = pa.array(switches["switch_id"].take(opened), pa.string())
    by_id = pc.array_sort_indices(names).to_numpy()
    rank = np.empty(len(opened), np.int64)
    rank[by_id] = np.arange(len(opened))
    edge = np.unique(owner * max(len(opened), 1) + rank[member])
    start = np.searchsorted(edge, np.arange(len(which) + 1) * max(len(opened), 1)).astype(np.int32)
    each = names.take(pa.array(by_id[edge % max(len(opened), 1)]))
    joined = pc.binary_join(pa.ListArray.from_arrays(pa.array(start), each), " ")
    return np.asarray(joined.to_numpy(zero_copy_only=False), dtype=object)
