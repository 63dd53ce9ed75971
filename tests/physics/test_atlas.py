"""The atlas: what it says between its nodes, whether its nodes are still what the code computes, and bad files."""

from __future__ import annotations

import datetime as dt
import logging
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from survey.physics import atlas as rooms
from survey.physics import atlas_loop
from survey.physics.atlas import FOLDER, shipped_atlas
from survey.physics.curves import NODE_CYCLES, simulate
from survey.physics.families import Circuit
from survey.physics.sequences import sequence_weights
from survey.physics.study import CurveLibrary, CurveParameters, direct

NODES = 60

sys.path += [str(Path(__file__).parents[1] / folder) for folder in ("benchmarks", "atlas")]
import cube  # noqa: E402
import fill  # noqa: E402
import nodes  # noqa: E402
from bench_atlas import agreement, compared, read_table, repeats, settled, share_within  # noqa: E402


def one_by_one(circuit, rows, blocks, *, density):
    """An engine without other processes."""
    return np.stack(
        [
            simulate(circuit, row[None], density=density, block=int(block), cycles=NODE_CYCLES)[0]
            for row, block in zip(rows, blocks, strict=True)
        ]
    )


@pytest.fixture
def other_folder(tmp_path, monkeypatch):
    """The atlas in a folder that a test may damage."""
    shutil.copytree(FOLDER, tmp_path / "atlas")
    monkeypatch.setattr(rooms, "FOLDER", tmp_path / "atlas")
    shipped_atlas.cache_clear()
    yield tmp_path / "atlas"
    shipped_atlas.cache_clear()


def test_nodes_drawn_by_the_date_are_what_the_code_computes_today():
    seed = int(dt.datetime.now(tz=dt.UTC).strftime("%Y%m%d"))
    rng = np.random.default_rng(seed)
    same, ranges, shares = [], [], []
    for _ in range(NODES):
        circuit = Circuit(int(rng.integers(len(Circuit))))
        atlas = shipped_atlas(circuit)
        ringing = (atlas.draws[cube.COARSE] > 1) & (atlas.checks["first_peak"] > 0.8)
        places = np.argwhere(ringing)
        place = places[rng.integers(len(places))]
        g, im, b = 2 * place[:, None]
        block = nodes.first_block(g, im, b) * nodes.DENSITY[circuit]
        found = nodes.Found.of(one_by_one(circuit, nodes.rows_at(circuit, g, im, b), block, density=1))
        kept = {name: float(values[tuple(place)]) for name, values in atlas.checks.items()}
        if kept["first_repeating"] > 0:
            same.append(np.where(found.repeats, found.peaks, 0.0).max() / kept["first_repeating"])
        ranges.append(found.peaks.max() / kept["first_peak"])
        shares.append((found.peaks[0] > 1.25) @ sequence_weights(circuit) - kept["first_share"])
    # another processor's rounding leads a sequence elsewhere now and then: one in ten may differ
    assert np.quantile(np.abs(np.array(same) - 1.0), 0.9) < 1e-3, seed
    assert np.quantile(np.abs(np.log(ranges)), 0.9) < 0.2, seed
    assert np.quantile(np.abs(shares), 0.9) < 0.1, seed


def test_a_node_is_answered_with_itself_and_a_small_margin():
    atlas = shipped_atlas(Circuit.DELTA)
    g, im, b = np.nonzero(atlas.draws > 0)
    chosen = np.random.default_rng(0).choice(len(g), 400, replace=False)
    g, im, b = g[chosen], im[chosen], b[chosen]
    _, peak = atlas.fine.find("peak", b=atlas.fine.b[b], g=atlas.fine.g[g], im=atlas.fine.im[im])
    over = peak / atlas.fine.values["peak"][g, im, b]
    assert (over > 0.998).all()
    assert np.mean(over < 1.0225) > 0.85


def test_the_look_up_is_less_often_low_against_the_settled_peak_than_one_simulation():
    table = read_table()
    found, peak = compared(table), settled(table)
    assert found.in_model.all()
    for circuit in Circuit:
        kind = table["circuit"] == circuit
        close, under, far_under, _, far_over = agreement(found.peak_pu[kind], peak[kind])
        one, one_under, one_far_under, *_ = agreement(table["peak_1_pu"][kind], peak[kind])
        # what is reached, so that it gets no worse; the aim (95 % close, 1 % under, none far over) is in model.md
        assert close > max(one - 0.035, 0.9)
        assert under < one_under
        assert far_under < one_far_under
        assert far_over < 0.015
        assert share_within(found.likelihood[kind], table["likelihood"][kind]) > 0.95
        missed = kind & (peak > 1.25) & (found.peak_pu <= 1.25)
        assert missed.sum() <= 3
        assert not (missed & (peak > 1.5)).any()


def test_where_the_response_repeats_the_look_up_is_within_five_percent_for_95_and_low_for_one_in_a_hundred():
    table = read_table()
    found, peak, same = compared(table), settled(table), repeats(table)
    for circuit in Circuit:
        chosen = same & (table["circuit"] == circuit)
        close, under, *_ = agreement(found.peak_pu[chosen], peak[chosen])
        assert chosen.sum() > 300
        assert close >= 0.95
        assert under <= 0.01


def test_a_reference_of_ten_sets_grows_little_with_the_last_five():
    table = read_table()
    grown = settled(table) / settled(table, 5)
    assert np.mean(grown > 1.02) < np.mean(settled(table, 2) / settled(table, 1) > 1.02)


def test_the_load_needed_is_enough():
    rng = np.random.default_rng(4)
    for circuit in Circuit:
        b, p, im = 10 ** rng.uniform(-2.8, -1.0, 5), 10 ** rng.uniform(-3, -2.4, 5), 10 ** rng.uniform(-2.6, -1.8, 5)
        found = CurveLibrary(cache_dir=None).look_up(np.full(5, int(circuit)), b=b, p=p, im=im, load=0.0)
        for k in np.flatnonzero(found.load_cures):
            values = {"b": b[k], "p": p[k], "im": im[k], "load": found.load_needed_pu[k]}
            assert direct(circuit, **values, density=3)[:, 0].max() <= 1.25


def test_much_single_phase_load_calms_a_floating_wye_as_the_atlas_says():
    rng = np.random.default_rng(8)
    one_phase = 10 ** rng.uniform(-1.65, -0.5, 6)
    b = one_phase / rng.uniform(2.1, 10.0, 6)
    found = CurveLibrary(cache_dir=None).look_up([1] * 6, b=b, p=0.002, im=0.004, load=0.0, one_phase=one_phase)
    for k in range(6):
        values = {"b": b[k], "p": 0.002, "im": 0.004, "one_phase": one_phase[k]}
        assert direct(Circuit.FLOATING_WYE, **values)[:, 0].max() <= found.peak_loaded_pu[k] <= 1.25


def test_sections_that_come_again_are_answered_as_if_each_came_alone():
    rng = np.random.default_rng(4)
    kinds = np.arange(12) % 4
    columns = [10 ** rng.uniform(low, high, 12) for low, high in ((-3, -1), (-3, -2), (-2.6, -2), (-3, -1.5))]
    columns[2][5] = np.nan  # outside the model, and equal to itself all the same
    again = np.append(np.arange(12), rng.integers(0, 12, 30))
    library = CurveLibrary(cache_dir=None)

    def look_up(rows):
        b, p, im, load = (column[rows] for column in columns)
        return library.look_up(kinds[rows], b=b, p=p, im=im, load=load)

    once, often = look_up(np.arange(12)), look_up(again)
    for figure in ("peak_pu", "peak_loaded_pu", "likelihood", "arrester_power_pu", "typical_pu", "in_model"):
        np.testing.assert_array_equal(getattr(often, figure), getattr(once, figure)[again])


@pytest.mark.parametrize("name", ["peak", "power"])
def test_many_sections_are_looked_up_compiled_to_the_same_bits(name, monkeypatch):
    rng = np.random.default_rng(7)
    curves = shipped_atlas(Circuit.FIVE_LEGGED).fine if name == "peak" else shipped_atlas(Circuit.DELTA).coarse
    b, g, im = (10 ** rng.uniform(low, high, 800) for low, high in ((-4.5, 0.2), (-3.4, -0.3), (-3.2, -1.6)))
    place, value = curves.find(name, b=b, g=g, im=im)
    monkeypatch.setattr(atlas_loop, "COMPILED_FROM", 1)
    compiled, same = curves.find(name, b=b, g=g, im=im)
    assert np.array_equal(value, same)
    assert np.array_equal(place.low, compiled.low)
    assert np.array_equal(place.way, compiled.way)


def test_figures_are_finite_and_in_their_ranges():
    rng = np.random.default_rng(1)
    n = 3000
    circuit = rng.integers(0, 4, n)
    values = {
        "b": 10 ** rng.uniform(-6, 0.3, n),
        "p": 10 ** rng.uniform(-3.2, -1, n),
        "im": 10 ** rng.uniform(-3.1, -1.65, n),
    }
    found = CurveLibrary(cache_dir=None).look_up(circuit, **values, load=rng.uniform(0, 1.2, n), one_phase=0.0)
    assert np.isfinite([found.peak_pu, found.peak_loaded_pu, found.clamped_pu, found.cycles_above]).all()
    for share in (found.likelihood, found.likelihood_loaded, found.load_needed_pu):
        assert ((share >= 0) & (share <= 1)).all()
    assert (found.arrester_power_pu >= 0).all()
    assert (np.isfinite(found.typical_pu) == (found.peak_pu > 1.25)).all()
    assert (found.load_needed_pu[found.peak_pu <= 1.25] == 0).all()
    assert (found.load_needed_pu[found.peak_pu > 1.25] > 0).all()


@pytest.mark.parametrize("damage", ["truncated", "changed bytes", "another version", "a text"])
def test_a_bad_file_is_told_and_not_used(other_folder, caplog, damage):
    file = other_folder / "delta.npz"
    whole = file.read_bytes()
    if damage == "truncated":
        file.write_bytes(whole[: len(whole) // 2])
    elif damage == "changed bytes":
        file.write_bytes(whole[:20000] + b"\x00" * 64 + whole[20064:])
    elif damage == "a text":
        file.write_text("no atlas")
    else:
        with np.load(file) as data:
            arrays = dict(data) | {"version": np.array(0)}
        with file.open("wb") as opened:
            np.savez_compressed(opened, **arrays)
    with caplog.at_level(logging.WARNING):
        assert shipped_atlas(Circuit.DELTA) is None
    assert len(caplog.records) == 1
    assert "delta.npz" in caplog.text
    assert "curves are computed instead" in caplog.text
    assert shipped_atlas(Circuit.FIVE_LEGGED) is not None


def test_without_its_atlas_a_section_is_answered_by_computed_curves(other_folder, tmp_path):
    (other_folder / "delta.npz").unlink()
    found = CurveLibrary(cache_dir=tmp_path / "curves").look_up([0], b=[0.01], p=[0.002], im=[0.004], load=[0.0])
    assert found.peak_pu[0] > 1.25
    assert list((tmp_path / "curves").glob("delta-*"))


@pytest.mark.parametrize("other", [{"parameters": CurveParameters(series_resistance=0.05)}, {"voltage_limit": 2.5}])
def test_other_settings_do_not_read_the_atlas(other):
    assert not CurveLibrary(**other, cache_dir=None).use_atlas


def test_a_study_from_the_atlas_needs_no_compiler():
    code = (
        "import sys; from survey.physics.study import CurveLibrary;"
        "CurveLibrary(cache_dir=None).look_up([0, 1, 2], b=0.01, p=0.002, im=0.004, load=0.05);"
        "sys.exit('numba' in sys.modules or 'llvmlite' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_file_that_ships_is_made_of_its_nodes(tmp_path, monkeypatch):
    atlas = shipped_atlas(Circuit.FIVE_LEGGED)
    monkeypatch.setattr(cube, "least_loads", lambda _: atlas.needed)
    cube.write_atlas(tmp_path / "made", cube.make_atlas(cube.nodes_of(atlas, Circuit.FIVE_LEGGED), Circuit.FIVE_LEGGED))
    assert (tmp_path / "made").read_bytes() == (FOLDER / "five_legged.npz").read_bytes()


def test_a_fill_is_continued_where_it_stopped(other_folder, monkeypatch, capsys):
    for file in other_folder.glob("*.npz"):
        file.unlink()
    missing = cube.coarse_nodes
    last = set(map(tuple, missing(cube.empty(Circuit.DELTA))[-3:]))
    assert cube.B_AXIS[-1] == 10
    monkeypatch.setattr(nodes, "STRETCHES", (1,))
    monkeypatch.setattr(nodes, "CLAMPED_STRETCHES", (1,))
    monkeypatch.setattr(nodes, "DENSITY", dict.fromkeys(Circuit, 1))
    monkeypatch.setattr(nodes, "CLAMPED_DENSITY", 1)
    for corner in (set(sorted(last)[1:]), last):
        of_corner = lambda have, kept=corner: np.array([p for p in missing(have) if tuple(p) in kept])  # noqa: E731
        monkeypatch.setattr(cube, "coarse_nodes", of_corner)
        fill.fill(other_folder, one_by_one, minutes=5, circuits=[Circuit.DELTA], stages=[-1])
    told = capsys.readouterr().out
    assert "2 nodes" in told
    assert "1 nodes" in told
    have = fill.have_of(other_folder, Circuit.DELTA)
    assert cube.computed(have).sum() == 3
    assert np.isfinite(have[cube.computed(have)]).all()


def test_nodes_that_ring_take_all_draws_and_keep_what_arresters_do(tmp_path, monkeypatch):
    monkeypatch.setattr(nodes, "STRETCHES", (1,))
    monkeypatch.setattr(nodes, "DENSITY", dict.fromkeys(Circuit, 1))
    have = fill.have_of(tmp_path, Circuit.DELTA)
    places = fill.wanted(Circuit.DELTA, have, fill.DEEP)
    of_places = have[tuple(places.T)]
    with_arresters, missing = np.isfinite(of_places[:, cube.NAMES.index("clamped")]), np.isnan(of_places[:, cube.PEAK])
    chosen = np.array([places[with_arresters][0], places[missing][0]])
    monkeypatch.setattr(fill, "wanted", lambda *_: chosen)
    fill.deepen(tmp_path, one_by_one, part=0, parts=1, minutes=5, circuits=[Circuit.DELTA])
    now = fill.have_of(tmp_path, Circuit.DELTA)
    assert (now[tuple(chosen.T)][:, cube.DRAWS] == 1).all()
    kept = now[tuple(chosen[0])][cube.NAMES.index("clamped")]
    assert kept == have[tuple(chosen[0])][cube.NAMES.index("clamped")]
    assert (cube.computed(now) & ~cube.computed(have)).sum() == 1


def test_more_draws_are_added_to_those_of_a_node(monkeypatch):
    monkeypatch.setattr(nodes, "MORE", (1, 1))
    monkeypatch.setattr(nodes, "DENSITY", dict.fromkeys(Circuit, 1))
    place = np.array([[12], [8], [130]])
    was = nodes.compute_bare(one_by_one, Circuit.DELTA, *place, stretches=(2,))
    both = nodes.add_draws(one_by_one, Circuit.DELTA, *place, was)
    peak, draws, share = (cube.NAMES.index(name) for name in ("peak", "draws", "share_1.25"))
    alone = nodes.compute_bare(one_by_one, Circuit.DELTA, *place, stretches=(3,))
    assert both[0, draws] == 3
    assert both[0, peak] >= was[0, peak]
    assert abs(both[0, share] - alone[0, share]) < 0.2
    assert np.isfinite(both[0, [cube.NAMES.index(name) for name in cube.CHECKS[:3]]]).all()


def test_a_jump_is_found_where_it_is():
    have = cube.empty(Circuit.DELTA)
    atlas = shipped_atlas(Circuit.DELTA)
    kept = cube.nodes_of(atlas, Circuit.DELTA)
    there = (atlas.fine.values["edge"] > 0) & (atlas.draws > 0)
    g, im, b = np.argwhere(there & (np.roll(atlas.draws, 1, axis=2) > 0) & (np.roll(atlas.draws, -2, axis=2) > 0))[0]
    have[g, im, b - 1 : b + 3] = kept[g, im, b - 1 : b + 3]
    have[g, im, b, cube.EDGE] = 0.0
    assert len(fill.find_edges(one_by_one, Circuit.DELTA, have)) == 1
    assert abs(have[g, im, b, cube.EDGE] - kept[g, im, b, cube.EDGE]) < 0.15
