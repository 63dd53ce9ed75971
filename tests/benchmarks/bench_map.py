"""The map page of 100 thousand sites over 50 thousand streets in headless Chromium: size, first drawing, redraw, pan.

``python tests/benchmarks/bench_map.py [DISTRICTS]`` (25 districts make 100 thousand sites). No test: machines differ.

On a machine that others use the best of several counts, and the processor time of the page's thread.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from survey.report.map import render_map
from survey.result import SurveyResult

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "report")]

from browser import chromium, set_view  # noqa: E402
from builders import town_survey  # noqa: E402

STREETS, ACROSS = 60, 45
OPENED, PANNED = 5, 3
TIMED = """
const [zoom, moves] = arguments, done = arguments[arguments.length - 1], map = window.map_survey;
map.setView(map.getCenter(), zoom, {animate: false});
const frames = [];
let before = performance.now(), number = 0;
const step = () => {
  const now = performance.now();
  frames.push(now - before);
  before = now;
  number += 1;
  if (number > moves) {
    map.fire('moveend');
    done(frames.slice(1));
    return;
  }
  map._rawPanBy(L.point(number % 40 < 20 ? 30 : -30, 9 * (number % 3 - 1)));
  map.fire('move');
  requestAnimationFrame(step);
};
requestAnimationFrame(step);
"""
REDRAWN = """
const map = window.map_survey;
let layer;
map.eachLayer((one) => { if (one.redraw && one._context) layer = one; });
const times = [];
for (let i = 0; i < 15; i += 1) {
  const start = performance.now();
  layer.redraw();
  layer._context.getImageData(0, 0, 1, 1);
  times.push(performance.now() - start);
}
return times;
"""


def with_streets(result: SurveyResult, *, count: int = 50_000) -> SurveyResult:
    """The same over a grid of short streets."""
    west, south, east, north = shapely.total_bounds(result.site_points)
    rng = np.random.default_rng(3)
    start = rng.uniform((west, south), (east, north), (count, 2))
    angle = rng.choice([0.2, 1.77], count)
    ends = start + 140 * np.column_stack([np.cos(angle), np.sin(angle)])
    lines = shapely.linestrings(np.stack([start, ends], axis=1))
    names = [f"Street {k % 4000}" for k in range(count)]
    frame = gpd.GeoDataFrame({"look": "street", "label": names}, geometry=lines, crs=result.crs)
    return replace(result, background=frame)


def p95(values: list[float]) -> float:
    """95th percentile."""
    return float(np.percentile(values, 95))


def cpu_ms(browser: webdriver.Chrome) -> float:
    """Processor time of the page's thread so far: on a busy machine this, not the clock, says what the page costs."""
    metrics = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return 1e3 * next(metric["value"] for metric in metrics if metric["name"] == "TaskDuration")


def main(districts: int) -> None:
    """Make, open, time."""
    result = with_streets(town_survey(districts=districts, streets=STREETS, length=ACROSS))
    start = time.perf_counter()
    text = render_map(result)
    print(f"{len(result.sites):,} sites, {len(result.background):,} streets")
    print(f"page {len(text.encode()) / 1e6:.1f} MB in {time.perf_counter() - start:.1f} s")
    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        path = Path(folder) / "map.html"
        path.write_text(text, encoding="utf-8")
        set_view(browser, 1400, 900)
        browser.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
        for _ in range(OPENED):
            browser.get("about:blank")
            before = cpu_ms(browser)
            browser.get(path.as_uri())
            wait = WebDriverWait(browser, 120)
            wait.until(lambda b: b.execute_script("return document.documentElement.dataset.ready") is not None)
            drawn, ready = (
                int(browser.execute_script(f"return document.documentElement.dataset.{k}")) for k in ("drawn", "ready")
            )
            print(f"first drawing {drawn} ms, all of it {ready} ms, processor {cpu_ms(browser) - before:.0f} ms")
        whole = browser.execute_script("return window.map_survey.getZoom()")
        before = cpu_ms(browser)
        times = browser.execute_script(REDRAWN)
        spent = (cpu_ms(browser) - before) / len(times)
        print(f"whole network redrawn: least {min(times):.0f} ms, median {statistics.median(times):.0f} ms,"
              f" longest {max(times):.0f} ms, processor {spent:.0f} ms")  # fmt: skip
        browser.set_script_timeout(120)
        for zoom in sorted({whole, 12, 13.5, 15, 16.5}):
            frames, spent = min((panned(browser, zoom) for _ in range(PANNED)), key=lambda found: p95(found[0]))
            print(f"zoom {zoom}: frame median {statistics.median(frames):.0f} ms, 95 % under {p95(frames):.0f} ms,"
                  f" processor {spent:.1f} ms a frame")  # fmt: skip


def panned(browser: webdriver.Chrome, zoom: float) -> tuple[list[float], float]:
    """Times of the frames of a drag, and processor time a frame."""
    before = cpu_ms(browser)
    frames = browser.execute_async_script(TIMED, zoom, 60)
    return frames, (cpu_ms(browser) - before) / len(frames)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 25)
