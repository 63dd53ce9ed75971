"""Transformers and cables typed in by hand: laid out as a small network, so that the survey's own chain judges them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from pyproj import CRS

from survey.arrays import Floats, Ints, taken
from survey.assess.assess import Assessment, Method, assess_network
from survey.assess.circuits import Circuits, SectionValues
from survey.assess.site_table import site_table
from survey.findings import FindingList
from survey.network import build_network
from survey.read.tables import THREE_PHASE, Lines, NetworkTables
from survey.settings import Settings

NOT_GIVEN = float("nan")
SUPPLY = "supply"
POINT = "single-pole point"
PLANE = 3857
"""Any plane will do: nothing is drawn."""
LEAST_M = 1e-6
"""Stands for no cable at all: a network has none of length 0."""


@dataclass(frozen=True)
class Transformer:
    """A three-phase transformer as typed in.

    ``rating_va`` three-phase rating [VA]; ``voltage_v`` rated primary line-to-line voltage [V]; ``connection``,
    ``core`` codes of the input fields ``connection`` and ``core``; ``""`` takes the worst, and says so; ``loss_w``
    no-load loss [W]; NaN takes the default; ``exciting_pu`` exciting current [per unit of rated]; NaN takes the
    default; ``load_w`` dependable load on the secondary [W].
    """

    rating_va: float
    voltage_v: float
    connection: str = ""
    core: str = ""
    loss_w: float = NOT_GIVEN
    exciting_pu: float = NOT_GIVEN
    load_w: float = 0.0


@dataclass(frozen=True)
class Cable:
    """A run of shielded cable, all three phases.

    ``cap_f_m`` capacitance of one phase to ground [F/m]; ``words`` where that comes from; ``assumed`` true where part
    of it is a stand-in; ``type`` its type, as the field ``cable_type``; ``None`` where the capacitance itself was
    given.
    """

    cap_f_m: float
    words: str
    assumed: bool = False
    type: str | None = None


@dataclass(frozen=True)
class Bench:
    """Transformers side by side, each alone behind its own single-pole point, as the survey's chain sees them.

    ``sites``: its table of sites, in the order in which they were given; ``assumed``: what was assumed of the
    transformers, in words, one entry a kind.
    """

    assessment: Assessment
    sites: pd.DataFrame
    assumed: tuple[str, ...]

    @property
    def totals(self) -> SectionValues:
        """Totals of every section, in the order of the transformers."""
        return self.assessment.totals


def make_bench(
    transformers: Sequence[Transformer],
    *,
    settings: Settings,
    cable: Cable | None = None,
    length_m: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> Bench:
    """Lay out transformers, each behind ``length_m`` of the cable (none without one), and assess them."""
    tables = bench_tables(transformers, cable=cable, length_m=length_m)
    network = build_network(tables, settings=settings.network, findings=FindingList())
    assessment = assess_network(network, settings=settings, findings=FindingList(), progress=progress)
    ranked, order = site_table(network, assessment, settings=settings)
    words = dict.fromkeys(part for text in assessment.windings.assumed for part in str(text).split("; ") if part)
    return Bench(assessment, ranked.iloc[np.argsort(order)].reset_index(drop=True), tuple(words))


def bench_tables(transformers: Sequence[Transformer], *, cable: Cable | None, length_m: float) -> NetworkTables:
    """One source, and for every transformer a single-pole point and a cable of its own; nothing is drawn."""
    count = len(transformers)
    ids = [f"{number:05d}" for number in range(count)]
    nowhere = dict.fromkeys(("x", "y", "lon", "lat"), np.nan) | {"row": np.arange(count)}
    cap_f_m = 0.0 if cable is None else cable.cap_f_m if cable.type is None else np.nan
    cables = pd.DataFrame(
        {
            "cable_id": ids,
            "feeder": pd.Categorical([""] * count),
            "phases": np.full(count, THREE_PHASE, np.uint8),
            "voltage_v": [t.voltage_v for t in transformers],
            "shielded": True,
            "cable_type": pd.Categorical([(cable and cable.type) or ""] * count),
            "cap_f_m": np.full(count, cap_f_m),
            "length_m": max(length_m, LEAST_M),
            "drawn_m": np.nan,
            "from_node": SUPPLY,
            "to_node": ids,
            "row": np.arange(count),
        }
    )
    point = {"switch_id": [POINT if count == 1 else f"{POINT} {name}" for name in ids], "single_pole": True}
    switches = pd.DataFrame(
        point
        | {
            "device": "",
            "open": False,
            "open_phases": np.uint8(0),
            "arrester": "",
            "ops_year": np.nan,
            "guards": ids,
            "node": SUPPLY,
        }
        | nowhere
    )
    source = {"source_id": [SUPPLY], "feeder": "", "node": SUPPLY}
    return NetworkTables(
        cables=cables,
        lines=Lines(np.empty((0, 2)), np.zeros(1, np.int64), np.empty(0, np.int64), np.empty(0)),
        transformers=_site_records(transformers, ids).assign(**nowhere),
        switches=switches,
        sources=pd.DataFrame(source | nowhere | {"row": [0]}),
        working_crs=CRS.from_epsg(PLANE),
        output_crs=CRS.from_epsg(PLANE),
    )


def _site_records(transformers: Sequence[Transformer], ids: list[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site_id": ids,
            "feeder": "",
            "district": "",
            "rating_va": [t.rating_va for t in transformers],
            "voltage_v": [t.voltage_v for t in transformers],
            "connection": pd.Series([t.connection for t in transformers], dtype=object),
            "core": pd.Series([t.core for t in transformers], dtype=object),
            "no_load_loss_w": [t.loss_w for t in transformers],
            "exciting_pu": [t.exciting_pu for t in transformers],
            "min_load_w": [t.load_w for t in transformers],
            "minload_3p": "yes",
            "arrester": "unknown",
            "customers": np.nan,
            "critical": False,
            "node": ids,
            "units": 1,
            "usable": True,
        }
    )


def without_cable(values: SectionValues) -> SectionValues:
    """The same sections with the transformers' own capacitance alone."""
    none = np.zeros(len(values.cable_m))
    return replace(values, cable_m=none, cable_f=none, cap_f=values.cap_f - values.cable_f)


def with_cable(bare: SectionValues, rows: Ints, *, length_m: Floats, cap_f_m: Floats) -> SectionValues:
    """Sections ``rows`` of ``bare``, each with so much cable [m], of so much capacitance [F/m], shape (n,)."""
    some = {field.name: getattr(bare, field.name)[..., rows] for field in fields(bare)}
    cable_f = length_m * cap_f_m
    return SectionValues(**some | {"cable_m": length_m, "cable_f": cable_f, "cap_f": some["cap_f"] + cable_f})


def section_circuits(values: SectionValues, *, settings: Settings) -> Circuits:
    """The circuit of every section, in the order of the sections; each has one family."""
    made = Method(settings).circuits(values)
    return taken(made, np.argsort(made.section, kind="stable"))
