"""How the ranking moves: circuits of the leading sites simulated by themselves, with one value moved at a time."""

from __future__ import annotations

import numpy as np
import pytest
from planted import named, tables, with_devices, with_records

from survey.assess.assess import assess_network
from survey.assess.robustness import DENSITY, FIRST, MOVED, leading, ranking_robustness, simulated
from survey.findings import FindingList
from survey.network import build_network
from survey.physics.families import Circuit
from survey.physics.study import direct
from survey.settings import build_settings


@pytest.fixture(scope="module")
def assessed():
    """Cutouts at one place, a delta and a five-legged site behind different lengths of cable each."""
    import random
    from dataclasses import replace

    lengths = (15, 60, 200, 500)
    cables = [named(f"c{k}", "n", f"n{k}", metres) for k, metres in enumerate(lengths)]
    made = tables(
        cables,
        sites=[(f"t{k}", f"n{k}") for k in range(4)],
        switches=[(f"w{k}", "n", f"guards=c{k}") for k in range(4)],
        sources=[("g", "n")],
    )
    records = with_records(made.transformers, random.Random(5)).assign(
        connection=["delta", "delta", "grounded_wye", "grounded_wye"],
        core=["", "", "five_legged", "five_legged"],
        rating_va=300e3,
        no_load_loss_w=600.0,
        exciting_pu=0.005,
        min_load_w=[0.0, 9e3, 0.0, 0.0],
        minload_3p="yes",
        arrester="unknown",
    )
    made = replace(made, transformers=records, switches=with_devices(made.switches))
    settings = build_settings({})
    network = build_network(made, settings=settings.network, findings=FindingList())
    return network, assess_network(network, settings=settings, findings=FindingList()), settings


def test_each_circuit_is_simulated_itself_with_the_value_moved(assessed):
    _, found, settings = assessed
    moved = settings.model_copy(
        update={"electrical": settings.electrical.model_copy(update={"series_r_pu": 0.05, "arrester_pu": 1.6})}
    )
    circuits, rows = found.circuits, np.array([0, 2])
    got = simulated(circuits, found.figures, rows=rows, settings=moved)
    others = np.setdiff1d(np.arange(len(circuits.b)), rows)
    for name in ("hazard", "loaded", "share", "share_loaded"):
        assert getattr(got, name)[others].tolist() == getattr(found.figures, name)[others].tolist()
    assert (got.hazard[rows] != found.figures.hazard[rows]).all()
    assert got.share[rows].tolist() == got.share_loaded[rows].tolist()


def test_the_figures_are_those_of_direct_simulation(assessed):
    from survey.assess.behaviour import curve_parameters, hazard_of
    from survey.physics.sequences import sequence_weights

    _, found, settings = assessed
    circuits = found.circuits
    got = simulated(circuits, found.figures, rows=np.arange(len(circuits.b)), settings=settings)
    for load, hazard, share in ((0.0, got.hazard, got.share), (1.0, got.loaded, got.share_loaded)):
        peak, power, above = [], [], []
        for k, family in enumerate(circuits.family.tolist()):
            place = {"b": circuits.b[k], "p": circuits.p[k], "im": circuits.im[k], "load": load * circuits.held[k]}
            bare, clamped = (
                direct(Circuit(family), **place, clamped=c, parameters=curve_parameters(settings), density=DENSITY)
                for c in (False, True)
            )
            weights = np.repeat(sequence_weights(Circuit(family)) / DENSITY, DENSITY)
            peak.append(bare[:, 0].max())
            power.append(clamped[:, 1].max() * circuits.base_va[k])
            above.append((bare[:, 0].reshape(-1, 2).max(axis=1) > 1.25) @ weights)
        assert hazard == pytest.approx(hazard_of(circuits, np.array(peak), np.array(power), settings=settings))
        assert share == pytest.approx(above)
    assert got.loaded[1] < got.hazard[1]


def test_orders_are_compared_value_by_value(assessed):
    network, found, settings = assessed
    steps = []
    entries = ranking_robustness(network, found, settings=settings, progress=lambda *step: steps.append(step))
    assert [entry["moved"] for entry in entries] == list(MOVED.values())
    assert steps[-1] == (len(MOVED), len(MOVED))
    ringing = int((found.risks.of_sites(4) > 0).sum())
    assert ringing >= 3
    assert all(entry["sites"] == entry["first"] == entry["stay"] == ringing for entry in entries)


def test_sites_in_reach_of_the_first_are_looked_at():
    risk = np.concatenate([np.linspace(30, 10, FIRST), np.full(30, 4.0), np.full(9, 3.0), np.zeros(5)])
    assert leading(risk).tolist() == list(range(FIRST + 30))
    steep = np.concatenate([np.linspace(30, 10, FIRST), np.full(60, 1e-3), np.zeros(5)])
    assert leading(steep).tolist() == list(range(2 * FIRST))
    assert leading(np.zeros(3)).tolist() == []
