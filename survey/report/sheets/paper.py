"""Paper: sizes, margins, and where frame and side panel lie. Lengths are PDF points, origin bottom left."""

from dataclasses import dataclass
from typing import Literal, get_args

from reportlab.lib import pagesizes

PageName = Literal["letter", "a4", "tabloid", "a3"]
PAGE_NAMES: tuple[PageName, ...] = get_args(PageName)

_SIZES: dict[PageName, tuple[float, float]] = {
    "letter": pagesizes.LETTER,
    "a4": pagesizes.A4,
    "tabloid": pagesizes.TABLOID,
    "a3": pagesizes.A3,
}
MARGIN = 30.0
HEADER, FOOTER = 34.0, 22.0
PANEL_WIDTH = 168.0
GUTTER = 12.0


@dataclass(frozen=True)
class Rect:
    """An upright rectangle."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Extent in x."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Extent in y."""
        return self.y1 - self.y0

    @property
    def centre(self) -> tuple[float, float]:
        """Middle."""
        return (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2


@dataclass(frozen=True)
class Paper:
    """A page, landscape.

    ``width``, ``height`` page size.
    """

    width: float
    height: float

    @property
    def body(self) -> Rect:
        """What lies between header and footer."""
        return Rect(MARGIN, MARGIN + FOOTER, self.width - MARGIN, self.height - MARGIN - HEADER)

    @property
    def frame(self) -> Rect:
        """The map."""
        body = self.body
        return Rect(body.x0, body.y0, body.x1 - PANEL_WIDTH - GUTTER, body.y1)

    @property
    def panel(self) -> Rect:
        """The side panel."""
        body = self.body
        return Rect(body.x1 - PANEL_WIDTH, body.y0, body.x1, body.y1)


def paper(name: PageName) -> Paper:
    """The landscape page of a name in ``PAGE_NAMES``."""
    width, height = pagesizes.landscape(_SIZES[name])
    return Paper(width, height)
