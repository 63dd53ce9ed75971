"""The voltage as it was typed: kilovolts, or the text of a nameplate, read as the network's reader reads it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from survey.errors import ModelError
from survey.read.transformer_text import NEUTRAL_NOT_SAID, parse_voltage_text

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
