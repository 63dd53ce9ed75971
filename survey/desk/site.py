"""One transformer by hand: the figures that a survey would give for it, and how much cable it stands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from survey.assess.behaviour import Figures, curve_library, study_figures
from survey.desk.checks import check_inside, check_length, check_transformer
from survey.desk.circuit import Bench, Cable, Transformer, all_studied, bench_sections, make_bench, section_circuits
from survey.desk.lengths import (
    LONGEST_M,
    allowed_charging_pu,
    charging_of_length_pu,
    length_of_charging_m,
    screen_charging_pu,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from survey.assess.circuits import Circuits, SectionValues
    from survey.physics.catalogue import Catalogue
    from survey.settings import Settings

Floats = NDArray[np.float64]


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
class SiteAnswer:
    """Everything known about one transformer.

    Parameters
    ----------
    request, settings
        What was asked, under which settings.
    bench
        The transformer as described; ``assumed`` holds what was assumed of it.
    reason
        Why it is not susceptible; ``""`` when it is. The rest is then of no meaning and ``None``.
    values, circuits
        Its section and its circuit, one row each.
    figures
        The study's, one row, made whether the screen clears it or not.
    lengths
        Allowed lengths.
    """

    request: SiteRequest
    settings: Settings
    bench: Bench
    reason: str
    values: SectionValues | None = None
    circuits: Circuits | None = None
    figures: Figures | None = None
    lengths: AllowedLengths | None = None

    @property
    def assumed(self) -> tuple[str, ...]:
        """What was assumed, in words."""
        cable = self.request.cable
        return (*self.bench.assumed, *([f"cable capacitance {cable.words}"] if cable.assumed else []))


def answer_site(
    request: SiteRequest,
    *,
    settings: Settings,
    catalogue: Catalogue,
    progress: Callable[[int, int], None] | None = None,
) -> SiteAnswer:
    """Work out one transformer.

    Raises
    ------
    ModelError
        A value cannot be, or the circuit lies outside the model.
    """
    check_transformer(request.transformer)
    check_length(request.length_m)
    bench = make_bench([request.transformer], settings=settings, catalogue=catalogue)
    if bench.windings.family[0] < 0:
        return SiteAnswer(request, settings, bench, str(bench.windings.reason[0]))
    values = section_at(bench, request, length_m=request.length_m)
    circuits = section_circuits(values, settings=settings)
    check_inside(circuits)
    figures = study_figures(all_studied(circuits), settings=settings, progress=progress)
    lengths = allowed_lengths(bench, request, settings=settings, progress=progress)
    return SiteAnswer(request, settings, bench, "", values, circuits, figures, lengths)


def section_at(bench: Bench, request: SiteRequest, *, length_m: float | Floats) -> SectionValues:
    """The transformer behind that much of its cable; one section for each length."""
    length = np.atleast_1d(np.asarray(length_m, np.float64))
    rows = np.zeros(len(length), np.int64)
    cap_f_m = np.full(len(length), request.cable.cap_f_m)
    return bench_sections(bench, rows, cable_m=length, cable_f_m=cap_f_m, stand_in=request.cable.assumed)


def allowed_lengths(
    bench: Bench,
    request: SiteRequest,
    *,
    settings: Settings,
    progress: Callable[[int, int], None] | None = None,
) -> AllowedLengths:
    """Lengths by screen and by study, with no load and with the load."""
    frequency, cap = settings.electrical.frequency_hz, np.array([request.cable.cap_f_m])
    bare = section_at(bench, request, length_m=0.0)
    circuits = section_circuits(bare, settings=settings)
    screen = screen_charging_pu(circuits, settings=settings)
    highest = charging_of_length_pu(np.array([LONGEST_M]), bare, cap_f_m=cap, frequency_hz=frequency)
    library = curve_library(settings, voltage_limit=np.inf)

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
