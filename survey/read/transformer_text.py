"""Transformer ratings as text: "12470GRDY/7200", "12.47 D - 208Y/120", "20/0.4 kV Dyn5", "3-25", "3x50 kVA".

Nameplate designations follow IEEE C57.12.00 (``E1GRDY/E``: wye, neutral grounded; ``E1Y/E``: wye; ``E/E1Y``: a
single-phase unit fit for a wye bank), vector groups IEC 60076-1; both from memory.
"""

import re
from dataclasses import dataclass
from math import isclose, sqrt

LONGEST_TEXT = 200  # characters; what comes after is a remark
VOLTS_FROM = 100.0  # a number from here up is in volts, below it in kilovolts
PAIR_TOLERANCE = 0.03
NEUTRAL_NOT_SAID = "wye; whether its neutral is grounded is not said"
SYSTEM_NAMED = "names the system; how the winding is connected is not said"
"""A pair of kilovolts (``13.2GRDY/7.62``) is how systems are named; nameplates give volts (from memory)."""
GROUNDED = (
    r"GR?D?N?D?\.? ?-? ?(?:Y|WYE|STAR)|GY|YG|YN|(?:WYE|STAR) ?-? ?(?:GROUNDED|GND|GRD)|GROUNDED ?-? ?(?:WYE|STAR)"
)
DELTA = r"DELTA|DLT|D"
WYE = r"WYE|STAR|Y"
VECTOR_GROUP = re.compile(r"(?<![A-Z])(YN|Y|D|ZN|Z)(?:yn|y|d|zn|z)\d{0,2}(?![A-Za-z])")
NUMBER = r"\d+(?:\.\d+)?"
SIDE = re.compile(
    rf"(?P<first>{NUMBER}) ?(?P<unit1>KV|V)? ?(?P<winding>{GROUNDED}|{DELTA}|{WYE})?(?![A-Z])"
    rf"(?: ?/ ?(?P<second>{NUMBER}) ?(?P<unit2>KV|V)? ?(?P<winding2>{GROUNDED}|{DELTA}|{WYE})?(?![A-Z]))?"
)
KVA = re.compile(rf"({NUMBER}) ?(KVA|MVA|VA)?")
UNITS = re.compile(rf"^([123]) ?[-X×@] ?({NUMBER}) ?(KVA|MVA)?\b")
LIST = re.compile(rf"^{NUMBER}(?: ?/ ?{NUMBER}){{2}} ?(KVA)?$")


@dataclass(frozen=True)
class VoltageText:
    """What a voltage text says of the primary side.

    ``text`` as written; ``kv`` line-to-line voltage, kV; ``None`` when the text does not give one; ``connection``
    ``delta``, ``grounded_wye`` or ``""`` when it does not fix one; ``note`` what is unsure about it, ``""`` when
    nothing is.
    """

    text: str
    kv: float | None = None
    connection: str = ""
    note: str = ""


@dataclass(frozen=True)
class KvaText:
    """What a rating text says.

    ``text`` as written; ``kva`` rating of all units together, kVA; ``None`` when the text does not give one; ``units``
    number of units it is made of.
    """

    text: str
    kva: float | None = None
    units: int = 1


def parse_voltage_text(text: str) -> VoltageText:
    """Primary voltage and connection from a nameplate's designation; the primary side is the first one."""
    text = text[:LONGEST_TEXT]
    group = VECTOR_GROUP.search(text)
    match = SIDE.match(re.sub(r"^(?:PRI(?:MARY)?|HV|HT)\W*", "", _tidy(VECTOR_GROUP.sub("", text))))
    if match is None:
        return VoltageText(text)
    first, second = _kilovolts(match["first"], match["unit1"] or match["unit2"]), None
    if match["second"]:
        second = _kilovolts(match["second"], match["unit2"] or match["unit1"])
    winding = group[1] if group else match["winding"] or ""
    if second is not None and isclose(second, first * sqrt(3), rel_tol=PAIR_TOLERANCE):
        note = "a single-phase unit: its bank is wye or delta as connected"
        return VoltageText(text, second, "", note)
    if second is None and not winding:
        return VoltageText(text, first, "", "connection not said")
    pair = second is not None and isclose(first, second * sqrt(3), rel_tol=PAIR_TOLERANCE)  # with that to neutral
    if pair and group is None and float(match["first"]) < VOLTS_FROM and re.fullmatch(GROUNDED, winding):
        return VoltageText(text, first, "", SYSTEM_NAMED)
    return VoltageText(text, first, *_connection(winding, pair=pair))


def _tidy(text: str) -> str:
    """Upper case, one blank between words; a comma before three digits parts thousands, any other is a decimal one."""
    return " ".join(re.sub(r"(?<=\d),(?=\d{3}(?!\d))", "", text).replace(",", ".").upper().split())


def _connection(winding: str, *, pair: bool) -> tuple[str, str]:
    if re.fullmatch(DELTA, winding):
        return "delta", ""
    if re.fullmatch(GROUNDED, winding):
        return "grounded_wye", ""
    if re.fullmatch(WYE, winding) or pair:
        return "", NEUTRAL_NOT_SAID
    return "", "connection not said"


def _kilovolts(number: str, unit: str | None) -> float:
    value = float(number)
    if unit == "KV":
        return value
    return value / 1000 if unit == "V" or value >= VOLTS_FROM else value


def parse_kva_text(text: str) -> KvaText:
    """Rating of all units together: ``75``, ``75 kVA``, ``3-25``, ``3x25``, ``25/25/25``, ``1.5 MVA``."""
    plain = _tidy(text[:LONGEST_TEXT])
    if LIST.match(plain):
        parts = [float(number) for number in re.findall(NUMBER, plain)]
        return KvaText(text, sum(parts), len(parts))
    units = UNITS.match(plain)
    if units:
        return KvaText(text, int(units[1]) * _kva(units[2], units[3]), int(units[1]))
    match = KVA.match(plain)
    return KvaText(text, _kva(match[1], match[2])) if match else KvaText(text)


def _kva(number: str, unit: str | None) -> float:
    return float(number) * {"MVA": 1000.0, "VA": 0.001}.get(unit or "KVA", 1.0)
