"""The progress line on a terminal."""

import io
import signal

import pytest
from rich.console import Console
from rich.progress import Progress

from survey.console import StageProgress


def shown(act):
    """What a terminal gets while stages and counts are told."""
    out = io.StringIO()
    with Progress(console=Console(file=out, force_terminal=True, width=100), transient=True) as bar:
        act(StageProgress(bar))
        bar.refresh()
    return out.getvalue()


def test_counts_after_other_stages():
    # the first task of a bar is number 0, and its place in the list of tasks moves when others are removed
    def stages(progress):
        for name in ("read", "network", "assess"):
            progress(name)
        for done in (1, 2, 10):
            progress.count(done, 10)
        progress.count(3, 40)
        progress("collect")

    text = shown(stages)
    assert "Studying circuits" in text
    assert "Collecting results" in text


def test_count_without_a_stage_before():
    assert "Studying circuits" in shown(lambda progress: progress.count(1, 2))


def test_the_bar_grows_with_the_stages_and_tells_what_is_left():
    with Progress(console=Console(file=io.StringIO(), force_terminal=True)) as bar:
        progress = StageProgress(bar)
        parts = []
        for name in ("read", "network", "assess", "collect"):
            progress(name)
            parts.append(bar.tasks[0].completed)
        for name in ("sites.csv", "survey.gpkg", "map.html", "run.json"):
            progress.part(name)
            parts.append(bar.tasks[0].completed)
    assert parts == sorted(set(parts))
    assert parts[-1] == bar.tasks[0].total
    assert len(bar.tasks) == 1


@pytest.mark.parametrize("tell", [lambda progress: progress("read"), lambda progress: progress.count(1, 10)])
def test_ctrl_c_waits_until_a_new_line_is_drawn(tell, monkeypatch):
    """Half a line would stay on the screen."""
    drawn, add_task = [], Progress.add_task

    def interrupted(self, *given, **more):
        signal.raise_signal(signal.SIGINT)
        drawn.append(add_task(self, *given, **more))
        return drawn[-1]

    monkeypatch.setattr(Progress, "add_task", interrupted)
    with pytest.raises(KeyboardInterrupt):
        shown(tell)
    assert drawn == [0]
