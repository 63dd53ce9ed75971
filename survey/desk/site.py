"""One transformer by hand: the survey's own chain on one switching point, and the cable lengths that it allows."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from survey.arrays import Floats
from survey.assess.behaviour import curve_library
from survey.assess.circuits import Circuits, SectionValues
from survey.desk.checks import check_inside, check_length, check_transformer, choose_cable, read_nameplate, read_rating
from survey.desk.circuit import Bench, Cable, Transformer, make_bench, section_circuits, without_cable
from survey.desk.lengths import (
    LONGEST_M,
    allowed_charging_pu,
    charging_of_length_pu,
    length_of_charging_m,
    screen_charging_pu,
)
from survey.desk.working import FOOT_M
from survey.physics.catalogue import Catalogue
from survey.settings import Settings

SIMULATED_SEQUENCES = 1500
"""Sequences that a direct simulation takes at least, of two operations each."""
NOT_GIVEN = float("nan")
SEPARATE = "separate"  # units of a bank have a core each


@dataclass(frozen=True)
class SiteRequest:
    """What was asked: a transformer behind ``length_m`` metres of a cable; ``nameplate``: what its text was read as."""

    transformer: Transformer
    cable: Cable
    length_m: float
    nameplate: str = ""


@dataclass(frozen=True)
class AllowedLengths:
    """Cable lengths up to which a limit holds [m]; :data:`LONGEST_M` and over stands for any that was tried.

    ``screen_m`` by the screening limit, ``screen_alone_m`` the same with the transformer's own capacitance left out;
    ``study_m`` by the study at no load, ``loaded_m`` at the load given.
    """

    screen_m: float
    screen_alone_m: float
    study_m: float
    loaded_m: float


@dataclass(frozen=True)
class Simulated:
    """Operations simulated, their largest sustained peak [per unit], and share of sequences above the limit."""

    operations: int
    peak_pu: float
    share: float


@dataclass(frozen=True)
class SiteAnswer:
    """Everything known about one transformer.

    ``request``, ``settings``: what was asked, under which settings. ``bench``: its assessment. ``lengths``: allowed
    lengths; ``None`` where it is not susceptible. ``simulated``: the circuit itself at no load; ``None`` where it was
    not asked for.
    """

    request: SiteRequest
    settings: Settings
    bench: Bench
    lengths: AllowedLengths | None = None
    simulated: Simulated | None = None

    @property
    def row(self) -> pd.Series:
        """Its row of the sites table."""
        return self.bench.sites.iloc[0]

    @property
    def values(self) -> SectionValues:
        """Totals of its section, one row."""
        return self.bench.totals

    @property
    def circuits(self) -> Circuits:
        """Its circuit, one row; none where it is not susceptible."""
        return self.bench.assessment.circuits

    @property
    def susceptible(self) -> bool:
        """Whether there is a circuit to study."""
        return len(self.circuits.b) > 0

    @property
    def assumed(self) -> tuple[str, ...]:
        """What was assumed, in words."""
        cable = self.request.cable
        return (*self.bench.assumed, *([f"cable capacitance {cable.words}"] if cable.assumed else []))


def simulate_site(answer: SiteAnswer) -> SiteAnswer:
    """Simulate the circuit itself at no load, without looking anything up; compiles when first used."""
    from survey.assess.behaviour import curve_parameters
    from survey.physics.curves import NODE_CYCLES, simulate
    from survey.physics.families import Circuit
    from survey.physics.sequences import sequence_weights

    circuits, circuit = answer.circuits, Circuit(int(answer.circuits.family[0]))
    rows = curve_parameters(answer.settings).rows(circuits.b, circuits.p, im=circuits.im)
    weights = sequence_weights(circuit)
    density = -(-SIMULATED_SEQUENCES // len(weights))
    peaks = simulate(circuit, rows, density=density, cycles=NODE_CYCLES)[0, ..., 0].max(axis=1)
    share = np.repeat(weights, density) / density @ (peaks > answer.settings.limits.voltage_pu)
    return replace(answer, simulated=Simulated(2 * len(peaks), float(peaks.max()), float(share)))


def answer_site(
    request: SiteRequest, *, settings: Settings, progress: Callable[[int, int], None] | None = None
) -> SiteAnswer:
    """Work out one transformer.

    Raises ``ModelError``: a value cannot be, or the circuit lies outside the model.
    """
    check_transformer(request.transformer)
    check_length(request.length_m)
    bench = make_bench(
        [request.transformer], settings=settings, cable=request.cable, length_m=request.length_m, progress=progress
    )
    answer = SiteAnswer(request, settings, bench)
    if not answer.susceptible:
        return answer
    check_inside(answer.circuits)
    return replace(answer, lengths=allowed_lengths(answer, progress=progress))


def allowed_lengths(answer: SiteAnswer, *, progress: Callable[[int, int], None] | None = None) -> AllowedLengths:
    """Lengths by screen and by study, with no load and with the load."""
    settings, cap = answer.settings, np.array([answer.request.cable.cap_f_m])
    frequency, bare = settings.electrical.frequency_hz, without_cable(answer.values)
    circuits = section_circuits(bare, settings=settings)
    screen = screen_charging_pu(circuits, settings=settings)
    highest = charging_of_length_pu(np.array([LONGEST_M]), bare, cap_f_m=cap, frequency_hz=frequency)
    library = curve_library(settings)

    def by_study(load_pu: Floats) -> float:
        charging = allowed_charging_pu(
            replace(circuits, load=load_pu),
            library=library,
            limit=settings.limits.voltage_pu,
            highest_pu=highest,
            progress=progress,
        )
        return float(length_of_charging_m(charging, bare, cap_f_m=cap, frequency_hz=frequency)[0])

    unloaded = by_study(np.zeros(1))
    alone = replace(bare, cap_f=np.zeros(1))
    return AllowedLengths(
        screen_m=float(length_of_charging_m(screen, bare, cap_f_m=cap, frequency_hz=frequency)[0]),
        screen_alone_m=float(length_of_charging_m(screen, alone, cap_f_m=cap, frequency_hz=frequency)[0]),
        study_m=unloaded,
        loaded_m=by_study(circuits.load) if circuits.load[0] > 0 else unloaded,
    )


@dataclass(frozen=True)
class SiteOptions:
    """What describes one transformer and its cable, as ``survey site`` names it."""

    kva: str
    kv: str
    connection: str | None = None
    core: str | None = None
    cable: str | None = None
    cap_nf_km: float | None = None
    length: float = 0.0
    length_unit: str = "m"
    load: float = 0.0
    nll: float | None = None
    exc: float | None = None


def make_request(options: SiteOptions, catalogue: Catalogue, settings: Settings) -> SiteRequest:
    """The request in SI.

    Raises ``ModelError``: a value cannot be, or is not known.
    """
    nameplate, rating = read_nameplate(options.kv, options.connection), read_rating(options.kva)
    transformer = Transformer(
        rating_va=rating.kva * 1e3,
        voltage_v=nameplate.kv * 1e3,
        connection=nameplate.connection,
        core=options.core or (SEPARATE if rating.units > 1 else ""),
        loss_w=NOT_GIVEN if options.nll is None else options.nll,
        exciting_pu=NOT_GIVEN if options.exc is None else options.exc / 100,
        load_w=options.load * 1e3,
    )
    check_transformer(transformer)
    cable = choose_cable(
        options.cable, options.cap_nf_km, voltage_v=transformer.voltage_v, catalogue=catalogue, settings=settings
    )
    length_m = options.length * (FOOT_M if options.length_unit == "ft" else 1.0)
    words = "; ".join(filter(None, (nameplate.words, rating.words)))
    return SiteRequest(transformer, cable, length_m, words)
