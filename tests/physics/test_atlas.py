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
from survey.physics import atlas_fill
from survey.physics.atlas import FOLDER, read_atlas, shipped_atlas
from survey.physics.atlas_axes import B_AXIS, G_AXIS, IM_AXIS, IM_SHIPPED
from survey.physics.atlas_fill import Column, stretch
from survey.physics.atlas_parts import columns_of, make_atlas, read_parts, write_atlas
from survey.physics.families import Circuit
from survey.physics.study import CurveLibrary, CurveParameters, direct

SHIPPED = (Circuit.DELTA, Circuit.FLOATING_WYE, Circuit.FIVE_LEGGED)
PARTS = Path(__file__).with_name("atlas_parts")
NODES = 60

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from bench_atlas import agreement, compared, read_table  # noqa: E402


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
        circuit = SHIPPED[rng.integers(len(SHIPPED))]
        checks = shipped_atlas(circuit).checks
        ringing = checks["first_peak"] > 0.8
        places = np.argwhere((checks["draws"] > 1) & ringing)
        g, im, b = (int(place) for place in places[rng.integers(len(places))])
        column = Column(circuit, g, im + IM_SHIPPED.start, 0)
        draws = column.draws(float(B_AXIS[b]), clamped=False)
        row = column.row(float(B_AXIS[b]), clamped=False)
        found = stretch(circuit, row, density=draws.density, block=column.first(b) % draws.blocks)
        kept = {name: float(values[g, im, b]) for name, values in checks.items()}
        if kept["first_repeating"] > 0:
            same.append(found.repeating() / kept["first_repeating"])
        ranges.append(found.peaks.max() / kept["first_peak"])
        shares.append(found.share(1.25) - kept["first_share"])
    # another processor's rounding leads a sequence elsewhere now and then: one in twenty may differ
    assert np.quantile(np.abs(np.array(same) - 1.0), 0.95) < 1e-3, seed
    assert np.quantile(np.abs(np.log(ranges)), 0.95) < 0.15, seed
    assert np.quantile(np.abs(shares), 0.95) < 0.05, seed


def test_a_node_is_answered_with_itself():
    atlas = shipped_atlas(Circuit.DELTA)
    g, im, b = np.nonzero(atlas.checks["draws"] > 0)
    chosen = np.random.default_rng(0).choice(len(g), 400, replace=False)
    g, im, b = g[chosen], im[chosen], b[chosen]
    _, peak = atlas.find("peak", b=atlas.b[b], g=atlas.g[g], im=atlas.im[im])
    assert np.allclose(peak, atlas.values["peak"][g, im, b], rtol=2e-3)


def test_look_up_agrees_with_thousands_of_simulated_operations():
    # bench_atlas.py prints the figures; the aim of 95 % is not reached yet
    table = read_table()
    found = compared(table)
    assert found.in_model.all()
    for circuit in SHIPPED:
        kind = table["circuit"] == circuit
        close, under, far_under, _, far_over = agreement(found.peak_pu[kind], table["peak_pu"][kind])
        assert close > 0.8
        assert under < 0.2
        assert far_under < 0.07
        assert far_over < 0.05
        assert np.mean(abs(found.likelihood - table["likelihood"])[kind] < 0.05) > 0.83
        missed = kind & (table["peak_pu"] > 1.25) & (found.peak_pu <= 1.25)
        assert missed.sum() <= 1


def test_the_load_needed_is_enough():
    rng = np.random.default_rng(4)
    for circuit in SHIPPED:
        b, p, im = 10 ** rng.uniform(-2.8, -1.0, 5), 10 ** rng.uniform(-3, -2.4, 5), 10 ** rng.uniform(-2.6, -1.8, 5)
        found = CurveLibrary(cache_dir=None).look_up(np.full(5, int(circuit)), b=b, p=p, im=im, load=0.0)
        for k in np.flatnonzero(found.load_cures):
            values = {"b": b[k], "p": p[k], "im": im[k], "load": found.load_needed_pu[k]}
            assert direct(circuit, **values, density=3)[:, 0].max() <= 1.25


def test_figures_are_finite_and_in_their_ranges():
    rng = np.random.default_rng(1)
    n = 3000
    circuit = np.array([int(SHIPPED[k]) for k in rng.integers(0, 3, n)])
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


def test_the_file_that_ships_is_made_of_the_parts(tmp_path):
    made = make_atlas(columns_of(Circuit.FIVE_LEGGED, read_parts(PARTS)))
    for name in ("one", "two"):
        write_atlas(tmp_path / name, made)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    shipped = read_atlas(FOLDER / "five_legged.npz")
    for name, values in made.values.items():
        assert np.allclose(values, shipped.values[name], rtol=1e-3, atol=1e-6), name


def test_a_fill_is_continued_where_it_stopped(tmp_path, capsys):
    pieces = [Column(Circuit.DELTA, len(G_AXIS) - 1, im, 0) for im in (len(IM_AXIS) - 1, len(IM_AXIS) - 2)]
    atlas_fill.fill(tmp_path, out=tmp_path / "part-1.npz", workers=1, seconds=300.0, columns=pieces[:1])
    atlas_fill.fill(tmp_path, out=tmp_path / "part-2.npz", workers=1, seconds=300.0, columns=pieces)
    assert "1 columns now, 0 to do" in capsys.readouterr().out
    assert set(read_parts(tmp_path)) == {piece.key for piece in pieces}
