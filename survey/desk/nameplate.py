"""Voltage and rating as they were typed: numbers, or the text of a record, read as the network's reader reads it."""

from dataclasses import dataclass
from typing import Final

from survey.errors import ModelError
from survey.read.transformer_text import NEUTRAL_NOT_SAID, parse_kva_text, parse_voltage_text

WYES: Final = ("floating_wye", "grounded_wye", "open_wye")


@dataclass(frozen=True)
class Nameplate:
    """What was typed says.

    Parameters
    ----------
    kv
        Rated line-to-line voltage [kV].
    connection
        Primary winding by the option or else by the text; ``""`` when neither says.
    words
        What was read from a text, in words; ``""`` for a plain number of kilovolts.
    """

    kv: float
    connection: str = ""
    words: str = ""


def read_nameplate(text: str, connection: str | None = None) -> Nameplate:
    """Voltage and connection out of what was typed after ``--kv``, and ``--connection`` where it was given.

    Raises
    ------
    ModelError
        The text has no voltage, or says another connection than the option.
    """
    try:
        return Nameplate(float(text), connection or "")
    except ValueError:
        told = parse_voltage_text(text)
    if told.kv is None:
        msg = (
            f"--kv: found no voltage in {text!r}, expected kV, such as 12.47, or a nameplate's text, such as "
            "12470GRDY/7200 or '12.47 D'; correct it"
        )
        raise ModelError(msg)
    said = told.connection.replace("_", " ") or told.note
    wanted = WYES if told.note == NEUTRAL_NOT_SAID else (told.connection,) if told.connection else ()
    if connection and wanted and connection not in wanted:
        msg = f"--kv and --connection: {text!r} says {said.split(';')[0]}, found {connection}; correct one of the two"
        raise ModelError(msg)
    return Nameplate(told.kv, connection or told.connection, f"{text}: {told.kv:g} kV, {said}")


@dataclass(frozen=True)
class Rating:
    """What was typed after ``--kva``: rating of all units together [kVA], their number, ``words`` on more than one."""

    kva: float
    units: int = 1
    words: str = ""


def read_rating(text: str) -> Rating:
    """Rating out of what was typed: a number, or units as records have them, such as ``3-167``.

    Raises ``ModelError``: the text has no rating.
    """
    try:
        return Rating(float(text))
    except ValueError:
        told = parse_kva_text(text)
    if told.kva is None:
        msg = f"--kva: found no rating in {text!r}, expected kVA, such as 300, or units, such as 3-167; correct it"
        raise ModelError(msg)
    words = f"{text}: {told.units} units with a core each, {told.kva:g} kVA together" if told.units > 1 else ""
    return Rating(told.kva, told.units, words)
