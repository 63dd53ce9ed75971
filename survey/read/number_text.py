"""Numbers as people write them: a comma for the decimals or between thousands, a unit behind."""

import re
from collections.abc import Sequence

from survey.input_schema import units_of
from survey.input_settings import NUMBER

THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?")
DECIMALS = re.compile(r"[+-]?(?:\d{1,3}(?:[. \u00a0]\d{3})+|\d+),\d+")
LENGTH = re.compile(r"([+-]?\d[\d., \u00a0]*?)\s*([a-zA-Z'è]*)\.?")
LENGTH_WORDS = {"": "m", "'": "ft", "feet": "ft", "foot": "ft", "miles": "mi"} | dict.fromkeys(
    ("metres", "meters", "metros", "mètres", "meter", "mts", "mtrs", "mt"), "m"
)


def plain_numbers(texts: Sequence[str]) -> list[str]:
    """Texts of one column, its numbers spelled with a point and nothing between thousands.

    Which of the two a comma is, is told by all of them together; where nothing tells it, they stay as they are.

    Examples
    --------
    >>> plain_numbers(["37,5", "1.250,0"]), plain_numbers(["1,250", "37.5"]), plain_numbers(["1,250", "37"])
    (['37.5', '1250.0'], ['1250', '37.5'], ['1,250', '37'])
    """
    grouped = [text for text in texts if "," in text and THOUSANDS.fullmatch(text)]
    broken = any("," in text and DECIMALS.fullmatch(text) and not THOUSANDS.fullmatch(text) for text in texts)
    parted = any("." in text or text.count(",") > 1 for text in grouped)
    if broken and not parted:
        marks = str.maketrans(",", ".", ". \u00a0")
        return [text.translate(marks) if "," in text and DECIMALS.fullmatch(text) else text for text in texts]
    if not broken and (parted or (grouped and any("." in text and NUMBER.match(text) for text in texts))):
        known = set(grouped)
        return [text.replace(",", "") if text in known else text for text in texts]
    return list(texts)


def lengths_m(texts: Sequence[str]) -> list[float | None]:
    """Lengths of one column with their unit (``1,234.5 ft``), metres; ``None`` for what is none.

    Examples
    --------
    >>> lengths_m(["100 ft", "1,2 km", "7", "long"])
    [30.48, 1200.0, 7.0, None]
    """
    units = {unit.casefold(): factor for unit, factor in units_of("length").items()}
    units |= {word: units[unit] for word, unit in LENGTH_WORDS.items()}
    found = [LENGTH.fullmatch(text) for text in texts]
    numbers = plain_numbers([match[1] if match else "" for match in found])
    factors = [units.get(match[2].casefold()) if match else None for match in found]
    return [float(n) * f if f and NUMBER.match(n) else None for n, f in zip(numbers, factors, strict=True)]
