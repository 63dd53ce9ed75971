"""Words that tell what a layer, or a kind of asset, is: in five languages, with their usual abbreviations."""

import csv
import re
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from survey.wrapped import without_accents

NO_ROLE = "none"
"""Role of what is no part of the primary network."""


ROW_NUMBERS = {"objectid", "fid", "ogcfid", "gid", "rowid", "globalid", "oid", "shapeid", "index", "pk", "mslink"}


PRIMARY = {"pri", "prim", "primary", "mv", "mt", "hta", "ms"}
SECONDARY = {"sec", "secondary", "secondaries", "lv", "bt", "ns"}


class Told(NamedTuple):
    """What a name tells: role (``""``: nothing), a default by it (our field and value, or ``""``), and the word."""

    role: str = ""
    field: str = ""
    value: str = ""
    word: str = ""


def plain_words(text: str) -> str:
    """Words of a name in lower case without accents, parted by single blanks; capitals inside a name part words."""
    parted = re.sub(r"(?<=[a-z]{2})(?=[A-Z])|(?<=[A-Z]{2})(?=[A-Z][a-z]{2})", " ", without_accents(text))
    return " ".join(
        re.split(r"[\W_]+", re.sub(r"(?<=[a-zA-Z])(?=\d)|(?<=\d)(?=[a-zA-Z])", " ", parted).casefold())
    ).strip()


@cache
def told_by(name: str) -> Told:
    """Role that the words of a name tell, and what else they tell about it.

    Where feeders begin wins over a device, a device over a transformer, that over a line; then the word that tells more
    and the longer one (``data/layer_words.csv``). What is no part of the primary network by any word is none, unless it
    is a transformer, a device or where feeders begin.
    """
    text = plain_words(name)
    hits = [(told, match) for pattern, told in _table() if (match := pattern.search(text))]
    if not hits:
        return Told()
    roles = {told.role for told, _ in hits}
    outside = NO_ROLE in roles and not roles & {"transformers", "switches", "sources"}
    if set(text.split()) & PRIMARY and all(
        match[0].strip() in SECONDARY for told, match in hits if told.role == NO_ROLE
    ):
        outside, hits = False, [hit for hit in hits if hit[0].role != NO_ROLE] or [(Told(), hits[0][1])]
    wanted = [hit for hit in hits if (hit[0].role == NO_ROLE) == outside]
    order = ("sources", "switches", "transformers", "cables", NO_ROLE)
    told, match = min(wanted, key=lambda hit: (order.index(hit[0].role), not hit[0].field, -len(hit[1][0])))
    return told._replace(word=match[0].strip())


def build_told(text: str) -> str:
    """Underground or overhead, where a word tells it; of several the longer one."""
    plain = plain_words(text)
    hits = [
        (told.value, match[0])
        for pattern, told in _table()
        if told.field == "build" and (match := pattern.search(plain))
    ]
    return max(hits, key=lambda hit: len(hit[1]), default=("", ""))[0]


@cache
def _table() -> tuple[tuple[re.Pattern[str], Told], ...]:
    with files("survey").joinpath("data", "layer_words.csv").open(encoding="utf-8") as stream:
        rows = [(row, word) for row in csv.DictReader(stream) for word in row["words"].split("|")]
    return tuple((_pattern(word), Told(row["role"], row["field"], row["value"])) for row, word in rows)


def _pattern(word: str) -> re.Pattern[str]:
    """Pattern of a word, or of one that begins so (``*``)."""
    return re.compile(rf"\b{re.escape(word.rstrip('*'))}" + (r"\w*" if word.endswith("*") else r"\b"))


def row_number(name: str) -> bool:
    """Whether a column by its name is the row number or key that a program makes, which nobody knows an asset by."""
    return "".join(plain_words(name).split()) in ROW_NUMBERS
