"""Fonts and text on sheets: one family that covers most alphabets, embedded in every file."""

import unicodedata
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD, SLANTED = "SheetSans", "SheetSans-Bold", "SheetSans-Oblique"
_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf", SLANTED: "DejaVuSans-Oblique.ttf"}
LONGEST = 160
"""Longer text is cut on sheets; the tables of the survey have it in full."""

NO_LETTER = "□"

INK, QUIET, FAINT, HAIR = "#1c1b19", "#5d5a54", "#a5a19a", "#d4d0c8"


@cache
def load_fonts() -> None:
    """Register the fonts that come with matplotlib (DejaVu, free licence)."""
    import matplotlib as mpl

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, folder / file))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=SLANTED, boldItalic=BOLD)


@cache
def _known_letters() -> frozenset[int]:
    """Characters that all the fonts have."""
    load_fonts()
    return frozenset.intersection(*(frozenset(pdfmetrics.getFont(name).face.charToGlyph) for name in _FILES))


def _shown(character: str) -> str:
    if unicodedata.category(character) in {"Cc", "Cs", "Zl", "Zp"}:
        return " "
    return character if ord(character) in _known_letters() or character.isspace() else NO_LETTER


def clean(text: object, *, limit: int = LONGEST) -> str:
    """Text in one line, cut to ``limit`` characters, without control characters; ``NO_LETTER`` for what no font has."""
    kept = str(text) if str(text).isascii() and str(text).isprintable() else "".join(map(_shown, str(text)))
    line = " ".join(kept.split())
    return line if len(line) <= limit else line[: limit - 1] + "…"


def markup(text: object, *, limit: int = LONGEST) -> str:
    """Cleaned text for a paragraph, its own markup made harmless."""
    return escape(clean(text, limit=limit))


def text_width(text: str, *, size: float, font: str = REGULAR) -> float:
    """Width of a text, points."""
    load_fonts()
    return float(pdfmetrics.stringWidth(text, font, size))


def fitted(text: str, *, width: float, size: float, font: str = REGULAR) -> str:
    """The text, cut in its middle where it would be wider than ``width`` points: ids often begin alike."""
    shown, kept = text, len(text)
    while kept and text_width(shown, size=size, font=font) > width:
        kept -= 1
        shown = f"{text[: (kept + 1) // 2]}…{text[len(text) - kept // 2 :]}"
    return shown


def style(size: float, *, font: str = REGULAR, colour: str = INK, align: int = 0) -> ParagraphStyle:
    """A paragraph style; long words are broken rather than run out of their cell."""
    load_fonts()
    name = f"{font}-{size:g}-{colour}-{align}"
    return ParagraphStyle(
        name, fontName=font, fontSize=size, leading=size * 1.2, textColor=colour, alignment=align, splitLongWords=1
    )
