"""The assess stage: sections and physics in, ranked result out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from survey.assess.capacitance import cable_capacitance
from survey.assess.choice import Choice, choose_sections
from survey.assess.circuits import Circuits, SectionValues, allowed_length_m, make_circuits, section_values
from survey.assess.figures import Figures, screen_figures
from survey.assess.windings import Windings, describe_windings
from survey.physics.catalogue import Catalogue
from survey.physics.screening import ScreeningLimits

if TYPE_CHECKING:
    from survey.findings import FindingList
    from survey.network.model import Network
    from survey.settings import LimitSettings, Settings

Floats = NDArray[np.float64]


class Study(Protocol):
    """What the assess stage asks of the time-domain study."""

    def figures(self, circuits: Circuits) -> Figures:
        """Figures of every circuit; those the screen clears may be left out (NaN, hazard 0)."""


@dataclass(frozen=True)
class Assessment:
    """Everything known about the sites before it is put into tables.

    ``limit_length_m`` per circuit; ``stand_in`` per cable: its capacitance is the voltage class's.
    """

    windings: Windings
    values: SectionValues
    circuits: Circuits
    figures: Figures
    choice: Choice
    limit_length_m: Floats
    stand_in: NDArray[np.bool_]


def assess_network(
    network: Network,
    *,
    settings: Settings,
    findings: FindingList,
    study: Study | None,
    catalogue: Catalogue | None = None,
) -> Assessment:
    """Work out the electrical values, the hazard and the worst point of every site.

    Parameters
    ----------
    study
        The time-domain study; ``None`` scores by the screening margin alone and leaves its figures absent.
    catalogue
        Cable and transformer defaults; the package's own when not given.
    """
    catalogue = catalogue or Catalogue.load()
    exciting = settings.electrical.exciting_pct
    windings = describe_windings(
        network.tables.transformers,
        catalogue=catalogue,
        exciting_pu=None if exciting is None else exciting / 100,
        findings=findings,
    )
    cap_f_m, stand_in = cable_capacitance(network.tables, catalogue=catalogue, findings=findings)
    values = section_values(network, windings, cap_f_m=cap_f_m)
    limits = screening_limits(settings.limits)
    frequency = settings.electrical.frequency_hz
    circuits = make_circuits(values, frequency_hz=frequency, limits=limits)
    figures = screen_figures(circuits) if study is None else study.figures(circuits)
    choice = choose_sections(
        network.walks, windings, values=values, circuits=circuits, figures=figures, settings=settings
    )
    class_f_m = np.nan_to_num(catalogue.class_capacitance_f_m(values.voltage_v))
    length = allowed_length_m(values, circuits, frequency_hz=frequency, limits=limits, class_f_m=class_f_m)
    return Assessment(windings, values, circuits, figures, choice, length, stand_in)


def screening_limits(limits: LimitSettings) -> ScreeningLimits:
    """The screening limits of the settings."""
    return ScreeningLimits(
        delta_xc_xm=limits.delta_xc_xm,
        floating_wye_xc_xm=limits.floating_wye_xc_xm,
        five_legged_charge_loss=limits.five_legged_charge_loss,
    )
