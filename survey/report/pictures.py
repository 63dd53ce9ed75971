"""What still pictures of a plan and of a comparison share: the figure, and the drawn network under the marks."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, GREY = "#222222", "#9a9a9a"
PAGE_IN, MARGIN_IN, SMALLEST = 9.0, 1.2, 1e-9
MOST_LINES = 50_000


@contextmanager
def picture(paths: Sequence[Path], *, size: tuple[float, float]) -> Iterator[tuple[Figure, Axes]]:
    """A figure that is written to all paths on leaving, the same bytes every time."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": "survey", "font.size": 10, "axes.edgecolor": INK}):
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        yield figure, figure.add_subplot()
        for path in paths:
            stamp: dict[str, Any] = {"Date": None} if path.suffix == ".svg" else {"Software": None}
            figure.savefig(path, dpi=150, metadata=stamp)


def map_size(lines: Any) -> tuple[float, float]:  # noqa: ANN401 - a geometry column
    """Width and height of a picture of a network, inch: as wide as a page, as high as it needs."""
    west, south, east, north = lines.total_bounds
    tall = (north - south) / max(east - west, SMALLEST)
    if lines.crs is not None and not lines.crs.is_projected:
        tall /= max(np.cos(np.radians((south + north) / 2)), SMALLEST)
    return PAGE_IN, float(np.clip(PAGE_IN * np.nan_to_num(tall, nan=1.0), 0.3 * PAGE_IN, 1.3 * PAGE_IN)) + MARGIN_IN


def legend_below(axes: Axes) -> None:
    """What the marks mean, below the drawing, where nothing of the network can lie under it."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper left", bbox_to_anchor=(0.0, 0.0), ncols=3, frameon=False)


def draw_network(axes: Axes, lines: Any) -> None:  # noqa: ANN401 - a geometry column
    """Thin grey lines, no axes, true to scale; of very many lines a dot at every vertex, which looks the same."""
    import shapely
    from matplotlib.collections import LineCollection

    parts = shapely.get_parts(np.asarray(lines.dropna().to_numpy(), object))
    if len(parts) > MOST_LINES:
        axes.plot(*shapely.get_coordinates(parts).T, ",", color=GREY)
    else:
        paths = [shapely.get_coordinates(part) for part in parts]
        axes.add_collection(LineCollection(paths, colors=GREY, linewidths=0.5))
        axes.autoscale()
    axes.set_aspect("equal" if lines.crs is None or lines.crs.is_projected else _degree_ratio(axes))
    axes.set_axis_off()


def _degree_ratio(axes: Axes) -> float:
    """A degree of latitude over one of longitude in the middle of the picture."""
    return float(1.0 / np.cos(np.radians(np.clip(np.mean(axes.get_ylim()), -85, 85))))
