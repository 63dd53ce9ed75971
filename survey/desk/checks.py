"""What is typed in by hand: nameplate text read, and what cannot be refused in one line."""

import difflib
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from survey.assess.cable_types import typed_capacitance
from survey.assess.circuits import Circuits
from survey.desk.circuit import Cable, Transformer
from survey.errors import ModelError
from survey.input_schema import field_specs
from survey.physics.catalogue import Catalogue
from survey.physics.study import inside_model
from survey.read.transformer_text import NEUTRAL_NOT_SAID, parse_kva_text, parse_voltage_text
from survey.settings import Settings

NANO_PER_KM = 1e-12
"""nF/km in F/m."""
LONGEST_CABLE_M = 100e3
CAP_NF_KM = (1.0, 5000.0)
"""Capacitance to be expected of a shielded cable; the catalogue runs from 115 to 1185 (common practice, no source)."""
WYES: Final = ("floating_wye", "grounded_wye", "open_wye")


def check_transformer(transformer: Transformer) -> None:
    """Refuse a rating, voltage, loss, exciting current or load outside the range that the input fields state.

    Raises ``ModelError``: a value is not a number, is zero or negative, or is outside the range.
    """
    check_field("kva", transformer.rating_va / 1e3, option="--kva")
    check_field("kv", transformer.voltage_v / 1e3, option="--kv")
    if not math.isnan(transformer.loss_w):
        check_field("nll_w", transformer.loss_w, option="--nll")
    if not math.isnan(transformer.exciting_pu):
        check_field("exc_pct", transformer.exciting_pu * 100, option="--exc")
        loss_pu = transformer.loss_w / transformer.rating_va
        if loss_pu >= transformer.exciting_pu:
            msg = (
                f"--exc: exciting current {transformer.exciting_pu * 100:g} % is not above the core loss, "
                f"{loss_pu * 100:.3g} % of rating: it leaves nothing to magnetize with; give the exciting current of "
                "the test sheet, or none for the default"
            )
            raise ModelError(msg)
    check_field("minload_kw", transformer.load_w / 1e3, option="--load")


def check_field(name: str, value: float, *, option: str) -> None:
    """Refuse a value outside the plausible range of a transformer's field."""
    spec = field_specs("transformers")[name]
    low, high = spec.plausible or (0.0, math.inf)
    _check_range(value, low=low, high=high, option=option, what=f"{spec.meaning}, {spec.unit}")


def _check_range(value: float, *, low: float, high: float, option: str, what: str) -> None:
    if not low <= value <= high:
        msg = f"{option}: {what}: found {value:g}, expected {low:g} to {high:g}; correct it"
        raise ModelError(msg)


def check_length(length_m: float) -> None:
    """Refuse a length that is negative, not a number or beyond 100 km."""
    _check_range(length_m, low=0.0, high=LONGEST_CABLE_M, option="--length", what="length of cable, m")


def choose_cable(
    key: str | None, cap_nf_km: float | None, *, voltage_v: float, catalogue: Catalogue, settings: Settings
) -> Cable:
    """The cable that was asked for; the stand-in of the voltage class where none was.

    Raises ``ModelError``: both were given, the type is unknown, or the capacitance is out of range.
    """
    if key is not None and cap_nf_km is not None:
        msg = "--cable and --cap-nf-km: found both, expected one; leave out the other"
        raise ModelError(msg)
    if cap_nf_km is not None:
        low, high = CAP_NF_KM
        _check_range(cap_nf_km, low=low, high=high, option="--cap-nf-km", what="capacitance of one phase, nF/km")
        return Cable(cap_nf_km * NANO_PER_KM, "as given")
    if key is None:
        stand_in = float(catalogue.class_capacitance_f_m(voltage_v))
        return Cable(stand_in, "stand-in of the voltage class, on the large side", assumed=True, type="")
    return named_cable(key, voltage_v=voltage_v, catalogue=catalogue, settings=settings)


def named_cable(key: str, *, voltage_v: float, catalogue: Catalogue, settings: Settings) -> Cable:
    """A cable by its key in the catalogue, or by a text that says what it is made of, as the survey takes it.

    Raises ``ModelError``: neither, or a part of the text is not understood; the refusal names the keys most like it.
    """
    found = typed_capacitance(
        [key], np.array([voltage_v]), catalogue=catalogue, patterns=settings.input.cable_type_patterns
    )
    origin, words = str(found.origin[0]), found.words[0]
    if origin == "type":
        return Cable(float(found.cap_f_m[0]), f"catalogue, {key}", type=key)
    if origin == "text" and "not understood" not in words:
        return Cable(float(found.cap_f_m[0]), f"worked out from {words}", assumed=", with " in words, type=key)
    keys = {str(match): str(name) for match, name in catalogue.cable_types[["match", "key"]].to_numpy()}
    close = difflib.get_close_matches("".join(key.split()).casefold(), keys, n=4, cutoff=0.3)
    like = f"the nearest are {', '.join(repr(keys[match]) for match in close)}; " if close else ""
    msg = f"--cable: the catalogue has no type {key!r}; {like}or give the capacitance (survey site --cap-nf-km)"
    raise ModelError(msg)


def check_inside(circuits: Circuits) -> None:
    """Refuse circuits that the study cannot answer for.

    Raises ``ModelError``: charging, core loss or magnetizing current is outside the model.
    """
    inside = inside_model(b=circuits.b, p=circuits.p, im=circuits.im, load=circuits.load)
    if inside.all():
        return
    row = int(inside.argmin())
    msg = (
        f"outside the model: charging {circuits.b[row]:.3g}, core loss {circuits.p[row]:.3g}, magnetizing "
        f"{circuits.im[row]:.3g} per unit of rating; expected charging up to 10, core loss 0.0001 to 0.5, magnetizing "
        "0.0001 to 0.2; check rating, loss, exciting current and length"
    )
    raise ModelError(msg)


@dataclass(frozen=True)
class Nameplate:
    """What was typed says.

    ``kv`` rated line-to-line voltage [kV]; ``connection`` primary winding by the option or else by the text; ``""``
    when neither says; ``words`` what was read from a text, in words; ``""`` for a plain number of kilovolts.
    """

    kv: float
    connection: str = ""
    words: str = ""


def read_nameplate(text: str, connection: str | None = None) -> Nameplate:
    """Voltage and connection out of what was typed after ``--kv``, and ``--connection`` where it was given.

    Raises ``ModelError``: the text has no voltage, or says another connection than the option.
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
