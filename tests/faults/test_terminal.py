"""Every command at a real terminal: progress is seen to advance and gone at the end, narrow screens, Ctrl-C."""

from __future__ import annotations

import re
import sys

import pytest

if sys.platform == "win32":
    pytest.skip("other terminals there", allow_module_level=True)

from command import assert_whole, content
from terminal import STOPPED, Terminal

INTERRUPTED = "survey: interrupted; the output folder is as it was before"
SITE = ["site", "--kva", 300, "--kv", "12.47", "--cap-nf-km", 200, "--length", 100, "--connection", "delta"]
COLOURS = re.compile(rb"\x1b\[[0-9;]*[34][0-9;]*m")


def at(*arguments, **more):
    return Terminal(list(arguments), **more).end()


def good(done, words):
    """Ended well, words seen, nothing of the progress line left and the cursor back."""
    assert done.status == 0, done.text
    assert "".join(words.split()) in "".join(done.text.split())
    assert "Traceback" not in done.text
    assert "Studying" not in done.text
    assert "Writing" not in done.text
    assert done.raw.count(b"\x1b[?25l") == done.raw.count(b"\x1b[?25h")


@pytest.fixture(scope="module")
def curves(tmp_path_factory):
    return {"SURVEY_CACHE_DIR": str(tmp_path_factory.mktemp("curves"))}


@pytest.fixture(scope="module")
def first(network, curves, own_curves, tmp_path_factory):
    """The first survey of an installation: no curve is kept yet."""
    out = tmp_path_factory.mktemp("terminal") / "OUT"
    return at("run", network, "-o", out, *own_curves, environment=curves), out


def test_the_first_survey_with_no_curves_kept(first):
    done, out = first
    good(done, "4 three-phase sites, 2 single-pole switching points")
    assert_whole(out)
    bars = {line for text in done.seen for line in text.splitlines() if "Studying circuits" in line}
    assert len({bar.count("\u2501") for bar in bars} | {bar[-7:] for bar in bars}) > 1


@pytest.mark.parametrize("columns", [80, 40])
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run", "NETWORK", "-o", "NEW"], "Results in"),
        (["inspect", "NETWORK"], "cables = cables"),
        (["limits", "--kv", "12.47", "--no-study"], "Allowed cable length behind"),
        (SITE, "Verdict"),
        (["plan", "OUT", "--budget", 2], "Spent"),
        (["sheets", "OUT", "-o", "NEW"], "sheets_north.pdf"),
        (["compare", "OUT", "OUT", "-o", "NEW"], "nothing changed"),
    ],
)
def test_every_command_with_curves_kept(first, network, curves, tmp_path, columns, arguments, words):
    known = {"NETWORK": network, "OUT": first[1], "NEW": tmp_path / "NEW"}
    done = at(*[known.get(a, a) for a in arguments], columns=columns, environment=curves)
    good(done, words)
    if columns == 40:
        assert not [line for line in done.lines if len(line) > columns and " " in line.strip()]


@pytest.mark.usefixtures("first")  # curves are kept
@pytest.mark.parametrize("stage", ["read", "network", "assess", "study", "collect", "sites.csv", "map.html"])
def test_ctrl_c_in_each_stage(network, out, curves, own_curves, tmp_path, stage):
    before = content(out)
    words = {
        "read": "Reading",
        "network": "Building",
        "assess": "Assessing",
        "study": "Studying",
        "collect": "Collecting",
    }
    typed = [stage, "run", network, "-o", out, *own_curves]
    none_kept = {"SURVEY_CACHE_DIR": str(tmp_path / "curves")}
    terminal = Terminal(typed, code=STOPPED, environment=none_kept if stage == "study" else curves)
    terminal.until(words.get(stage, f"Writing {stage}"))
    terminal.type(b"\x03")
    done = terminal.end()
    assert done.status == 1
    assert INTERRUPTED in done.text
    assert "Traceback" not in done.text
    assert not [line for line in done.text.splitlines() if line.startswith(tuple("\u280b\u2819\u2839"))]
    assert content(out) == before
    assert [path.name for path in out.parent.iterdir()] == ["OUT"]


@pytest.mark.parametrize("streams", [("stdout",), ("stderr",), ()])
def test_streams_that_are_no_terminal(network, curves, tmp_path, streams):
    done = at("run", network, "-o", tmp_path / "OUT", streams=streams, environment=curves)
    assert done.status == 0
    assert ("Reading the export" in "".join(done.seen)) == ("stderr" in streams)
    assert done.piped["stderr"] == ""
    assert ("Results in" in done.piped["stdout"]) == ("stdout" not in streams)
    assert "\x1b" not in done.piped["stdout"]
    assert "Reading" not in done.text


@pytest.mark.parametrize("environment", [{"TERM": "dumb"}, {"NO_COLOR": "1"}])
def test_terminals_that_show_no_colours(network, curves, tmp_path, environment):
    done = at("run", network, "-o", tmp_path / "OUT", environment=curves | environment)
    assert done.status == 0
    assert "Results in" in done.text
    assert not COLOURS.search(done.raw)
    if environment.get("TERM") == "dumb":
        assert b"\x1b" not in done.raw


def test_a_refusal_is_one_line(tmp_path):
    done = at("run", tmp_path / "none.gpkg", "-o", tmp_path / "OUT", columns=200)
    assert done.status == 1
    assert done.text.startswith("survey: ")
    assert "\n" not in done.text


def test_questions_are_asked(tmp_path):
    from exports import tables, write_gpkg

    layers = tables()
    layers["switches"] = layers["switches"].rename(columns={"poles": "FIELD7", "switch_id": "FIELD1"})
    terminal = Terminal(["inspect", write_gpkg(tmp_path / "net.gpkg", layers), "--ask"])
    terminal.until("Number [1]:")
    terminal.type(b"\x03")
    assert terminal.end().status == 1
    assert "survey: interrupted" in terminal.text
