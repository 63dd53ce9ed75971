"""Cable type as utilities write it ("1/0 AL 220 XLPE 15KV 1/3CN") → conductor, insulation, class, wall.

North American habits (AWG and kcmil sizes, walls in mil, ICEA classes and levels) and IEC or VDE ones (mm², ``12/20``
kV, ``NA2XS2Y``). Parts are found one after the other, each taken out of the text before the next is looked for; what is
left over is told.
"""

import csv
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from math import isclose, sqrt

LONGEST_TEXT = 200  # characters; a longer text is a remark, and would take long to go through
MIL_MM = 0.0254
KV_CLASSES = (5, 8, 15, 25, 28, 35, 46)
LEVELS = (100, 133, 173)
LEAST_KCMIL = 211  # 4/0 is 211.6 kcmil: smaller conductors have AWG numbers
MOST_KCMIL = 3000
METRIC_ONLY = (50, 70, 95, 120, 150, 185, 240, 630)  # mm² (IEC 60228); no size in kcmil is so small or between (memory)
METRIC = (25, 35, *METRIC_ONLY, 300, 400, 500, 800, 1000)
IEC_GROUND_KV = (3.6, 6, 8.7, 12, 18)  # voltages to ground of such a pair that tell a cable by IEC 60502-2
PAIR_TOLERANCE = 0.1  # U0/U as written (8.7/15, 12.7/22) is 1/sqrt(3) within this

VDE = re.compile(r"\bN?(?P<al>A)?2X\(?[FS]\S*|\bN(?P<al_k>A)?E?KE?B\w*|\bN(?P<al_y>A)?Y[CSF]\w*")
PAIR = re.compile(r"(?<![\d/.])(\d+(?:\.\d+)?) ?/ ?(\d+(?:\.\d+)?)(?: ?\(\d+(?:\.\d+)?\))?(?: ?KV)?(?![\d/])")
CORES = re.compile(
    r"(?<![\d/.])([1-4]) ?[X×] ?(?:1 ?[X×] ?)?(\d{2,4})(?: ?[A-Z]{0,2} ?/ ?\d{1,3})?(?: ?(?:MM²|SQ ?MM))?"
)
SQUARE_MM = re.compile(r"(?<![\d/.])(\d{2,4}) ?(?:MM²|SQ\.? ?MM)")
KV = re.compile(r"(?<![\d/.])(\d+(?:\.\d+)?) ?KV\b")
VOLTS = re.compile(r"(?<![\d/.])(\d{3,5}) ?V(?:OLTS?)?\b")
LEVEL = re.compile(r"(?<![\d/.])(100|133|173) ?(?:%|PCT|PERCENT)")
MILS = re.compile(r"(?<![\d/.])(\d{2,3}) ?MILS?\b")
WALL_MM = re.compile(r"(?<![\d/])(\d(?:\.\d+)?) ?MM(?![²\w])")
COUNT = re.compile(
    r"(?<![\d/.])([1-4]) ?[-/]? ?C(?:OND(?:UCTORS?)?|/C)?\b|^([1-4]) ?- ?(?=#|\d)|(?<![\d/.])\(([1-4])\)"
)
AWG = re.compile(r"# ?([1-4]/0|\d{1,2})(?![\d/])|(?<![\d/.])([1-4]/0)(?![\d/])|(?<![\d/.])(\d{1,2}) ?AWG\b")
KCMIL = re.compile(r"(?<![\d/.])(\d{3,4}(?:\.\d+)?) ?(?:KCMIL|MCM|KCM)\b")
AWG_BARE = re.compile(r"(?<![\d/.#])([1-8])(?= (?:AL|CU|ALUM\w*|COPPER|STR|SOL)\b)")
NUMBER = re.compile(r"(?<![\d/.#])\d+(?:\.\d+)?(?![\d/])")


@dataclass(frozen=True)
class CableText:
    """What a cable type's text says.

    Parameters
    ----------
    text
        As written.
    conductor_size
        ``#2``, ``1/0``, ``350`` (kcmil) or ``150mm2``; ``""`` when not said.
    conductor_material
        ``AL``, ``CU`` or ``""``.
    insulation
        ``XLPE``, ``TR-XLPE``, ``EPR``, ``PILC``, ``PE``, ``PVC`` or ``""``.
    level_pct
        Insulation level, %.
    wall_mm
        Insulation wall, mm.
    kv_class
        Voltage class, line to line, kV.
    shield
        ``concentric neutral``, ``tape``, ``corrugated tape``, ``wire`` or ``""``.
    conductors
        Number of conductors, when said.
    bare
        The text is that of an overhead conductor, which has no capacitance of a shielded cable.
    left
        Words that were not understood.
    """

    text: str
    conductor_size: str = ""
    conductor_material: str = ""
    insulation: str = ""
    level_pct: float | None = None
    wall_mm: float | None = None
    kv_class: float | None = None
    shield: str = ""
    conductors: int | None = None
    bare: bool = False
    left: tuple[str, ...] = ()

    @property
    def is_cable(self) -> bool:
        """Whether an insulated conductor is named: enough for a capacitance once the class is known."""
        return bool(self.conductor_size) and not self.bare


@dataclass
class _Text:
    """Text from which parts are taken one after the other."""

    rest: str

    def take(self, pattern: re.Pattern[str]) -> re.Match[str] | None:
        """First match, which is taken out."""
        match = pattern.search(self.rest)
        if match:
            self.rest = f"{self.rest[: match.start()]} {self.rest[match.end() :]}".strip()
        return match

    def take_number(self, pattern: re.Pattern[str]) -> float | None:
        """Do the same for a pattern whose first group is a number."""
        match = self.take(pattern)
        return float(match[1]) if match else None


def parse_cable_text(text: str, *, metric: bool = False) -> CableText:
    """Read a cable type.

    ``metric``: whether a size without a unit that could be either is in mm², not kcmil; see :func:`sizes_are_metric`.
    """
    if len(text) > LONGEST_TEXT:
        return replace(parse_cable_text(""), text=text, left=(text[:LONGEST_TEXT],))
    todo = _Text(_tidy(text))
    vde = _take_vde(todo)
    ground_kv, kv_class = _take_pair(todo)
    conductors, size = _take_metric(todo)
    kv_class = kv_class or todo.take_number(KV) or _kilo(todo.take_number(VOLTS))
    level = todo.take_number(LEVEL)
    wall_mm = _mils(todo.take_number(MILS)) or (todo.take_number(WALL_MM) if size else None)
    shield = _take_word(todo, "shield") or vde.get("shield", "")
    count = todo.take(COUNT)
    conductors = conductors or (int(next(filter(None, count.groups()))) if count else None)
    size = size or _take_size(todo)
    material = _take_word(todo, "material") or vde.get("material", "")
    insulation = _take_word(todo, "insulation") or vde.get("insulation", "")
    bare = bool(_take_word(todo, "bare")) and not insulation
    size, numbers = _bare_size(todo, size, metric=metric or bool(vde) or ground_kv in IEC_GROUND_KV)
    wall_mm, kv_class, level = _bare_numbers(numbers, wall_mm=wall_mm, kv_class=kv_class, level=level)
    kv_class, level = class_of_wall(wall_mm, kv_class=kv_class, level_pct=level)
    return CableText(
        text, size, material, insulation, level, wall_mm, kv_class, shield, conductors, bare, _left(todo, numbers)
    )


def sizes_are_metric(texts: Iterable[str]) -> bool | None:
    """Whether sizes without a unit in these texts are in mm², told by the others; ``None`` where nothing tells it.

    Insulation levels, walls in mil and concentric neutrals are North American, as sizes in kcmil are.

    Examples
    --------
    >>> [sizes_are_metric(texts) for texts in (["95 AL", "400 AL"], ["1/0 AL", "500 AL"], ["400 AL"], ["95mm2"])]
    [True, False, None, True]
    """
    cables = [parse_cable_text(text) for text in texts]
    sizes = {cable.conductor_size for cable in cables} - {""} - set(map(str, METRIC))
    metric = any("mm" in size for size in sizes)
    habit = any(c.level_pct or (c.wall_mm and "mm" not in c.conductor_size) or "neutral" in c.shield for c in cables)
    return None if metric == (habit or any("mm" not in size for size in sizes)) else metric


def _tidy(text: str) -> str:
    """Upper case, one blank between words, no decimal commas, glued words parted."""
    upper = re.sub(r"(?<=\d),(?=\d)", ".", text.upper()).replace("MM2", "MM²")
    upper = re.sub(r"[_,;:|+&]|(?<=[A-Z%])/(?=[A-Z])|(?<![\d])-|-(?![#\d\s])", " ", upper)
    if not VDE.search(upper):
        upper = re.sub(r"(?<=[A-Z])(?=\d)|(?<=[\d])(?=[A-Z])", " ", upper)
    return " ".join(_part_glued(word) for word in upper.split())


def _part_glued(word: str) -> str:
    """Part a metal that is glued to what follows (``ALXLP``)."""
    match = re.fullmatch(r"(AL|CU)([A-Z]+)", word)
    return f"{match[1]} {match[2]}" if match and _kind(match[2]) in ("insulation", "shield") else word


def _kind(word: str) -> str:
    return next((part for part in _words() for pattern, _ in _words()[part] if pattern.fullmatch(word)), "")


@cache
def _words() -> Mapping[str, tuple[tuple[re.Pattern[str], str], ...]]:
    """Words by the part of a cable they tell of, in the order of the file."""
    with files("survey").joinpath("data", "cable_words.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    parts = dict.fromkeys(row["part"] for row in rows)
    return {
        part: tuple((re.compile(rf"(?<![\w/])(?:{r['pattern']})(?!\w)"), r["value"]) for r in rows if r["part"] == part)
        for part in parts
    }


def _take_word(todo: _Text, part: str) -> str:
    """Value of the first word of a part that is in the text; every word of it is taken out."""
    value = ""
    for pattern, meaning in _words()[part]:
        while todo.take(pattern):
            value = value or meaning
    return value


def _take_vde(todo: _Text) -> dict[str, str]:
    """Take a designation by VDE 0271, 0276: N(A)2XS.. is polyethylene, N(A)KB.. paper, N(A)Y.. vinyl; A aluminium."""
    match = todo.take(VDE)
    if match is None:
        return {}
    material = "AL" if any(match.groups()) else "CU"
    insulation = "XLPE" if "2X" in match[0] else "PILC" if "K" in match[0] else "PVC"
    return {"material": material, "insulation": insulation, "shield": "wire" if "S" in match[0] else ""}


def _take_pair(todo: _Text) -> tuple[float | None, float | None]:
    """Take a voltage to ground and between lines, ``12/20``."""
    for match in PAIR.finditer(todo.rest):
        low, high = float(match[1]), float(match[2])
        if low and isclose(high / low, sqrt(3), rel_tol=PAIR_TOLERANCE) and high >= 3:
            todo.rest = f"{todo.rest[: match.start()]} {todo.rest[match.end() :]}".strip()
            return low, high
    return None, None


def _take_metric(todo: _Text) -> tuple[int | None, str]:
    """Number of conductors and cross-section in mm²."""
    match = todo.take(CORES)
    if match:
        return int(match[1]), f"{match[2]}mm2"
    match = todo.take(SQUARE_MM)
    return None, f"{match[1]}mm2" if match else ""


def _take_size(todo: _Text) -> str:
    """Size by AWG number or in kcmil, where it is marked as such."""
    match = todo.take(AWG) or todo.take(AWG_BARE)
    if match:
        number = next(filter(None, match.groups()))
        return number if "/0" in number else f"#{number}"
    match = todo.take(KCMIL)
    return match[1].removesuffix(".0") if match else ""


def _bare_size(todo: _Text, size: str, *, metric: bool) -> tuple[str, list[float]]:
    """Take all numbers left over; the first that can be one is the size when none is known yet."""
    numbers = []
    while match := todo.take(NUMBER):
        numbers.append(float(match[0]))
    if not size and numbers and numbers[0] in (METRIC if metric else METRIC_ONLY):
        return f"{numbers.pop(0):g}mm2", numbers
    walls = {round(wall / MIL_MM) for _, _, wall in _walls()}
    for number in numbers:
        if not size and LEAST_KCMIL < number <= MOST_KCMIL and (number not in walls or number == numbers[-1]):
            numbers.remove(number)
            return f"{number:g}", numbers
    return size, numbers


def _bare_numbers(
    numbers: list[float], *, wall_mm: float | None, kv_class: float | None, level: float | None
) -> tuple[float | None, float | None, float | None]:
    """Give numbers without a unit the meaning their value allows: wall in mil, class in kV, level in %.

    Those that were understood are taken out of ``numbers``.
    """
    walls = {round(wall / MIL_MM) for _, _, wall in _walls()}
    for number in list(numbers):
        if kv_class is None and number in KV_CLASSES:
            kv_class = number
        elif wall_mm is None and number in walls:
            wall_mm = number * MIL_MM
        elif level is None and number in LEVELS:
            level = number
        else:
            continue
        numbers.remove(number)
    return wall_mm, kv_class, level


def class_of_wall(
    wall_mm: float | None, *, kv_class: float | None, level_pct: float | None
) -> tuple[float | None, float | None]:
    """Class and level that a wall stands for, where they are not known and the wall fixes them.

    ``wall_mm``: insulation wall, mm. ``kv_class``: kV. ``level_pct``: %.
    """
    if wall_mm is None:
        return kv_class, level_pct
    fits = [
        (kv, level)
        for kv, level, wall in _walls()
        if isclose(wall, wall_mm, rel_tol=0.015) and kv_class in (None, kv) and level_pct in (None, level)
    ]
    return fits[0] if len(fits) == 1 else (kv_class, level_pct)


@cache
def _walls() -> tuple[tuple[float, float, float], ...]:
    """Class, level and wall in mm of North American cables (``data/insulation_walls.csv``)."""
    with files("survey").joinpath("data", "insulation_walls.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["standard"] == "na"]
    return tuple((float(row["kv_class"]), float(row["level_pct"]), float(row["wall_mm"])) for row in rows)


def _left(todo: _Text, numbers: list[float]) -> tuple[str, ...]:
    _take_word(todo, "filler")
    words = re.findall(r"[^\W_]+(?:[/.][^\W_]+)*", todo.rest)
    return tuple(words + [f"{number:g}" for number in numbers])


def _kilo(volts: float | None) -> float | None:
    return None if volts is None else volts / 1000


def _mils(mils: float | None) -> float | None:
    return None if mils is None else mils * MIL_MM


def taught_type(text: str, patterns: Mapping[str, str]) -> str:
    """Cable type that the settings teach for a text: the value of the first pattern found in it, else the text.

    ``patterns``: regular expression, without regard to case → catalogue key or a text that can be parsed
    (``input.cable_type_patterns``).
    """
    return next((to for pattern, to in patterns.items() if re.search(pattern, text, re.IGNORECASE)), text)
