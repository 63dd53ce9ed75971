"""One frozen settings object, built and checked at the edge.

Every section is a pydantic model; unknown keys and impossible values are refused with the key, what was found and
what is accepted. Defaults are the published or customary values named beside them.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationError, model_validator

from survey.errors import SettingsError
from survey.input_settings import InputSettings, Section

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class NetworkSettings(Section):
    """Joining of drawn ends and pick-up of points, metres on the ground.

    ``either_end``: judge the states with a normally open device closed, or a closed ring opened, too.
    ``most_states``: of a loop with more of them (pairs of devices; 2500 are 50 devices, judgement) those with a section
    over ``worst_kva`` are thinned. ``reuse``: keep the network, and take that of an earlier survey of the same export;
    no result depends on it, so that it is not told in the record of a survey.
    """

    snap_m: NotNegative = 0.5
    pickup_m: NotNegative = 5.0
    stepdown_supplies: bool = False
    either_end: bool = True
    most_states: Annotated[int, Field(ge=0)] = 2500
    length_tolerance: Share = 0.10
    length_tolerance_m: NotNegative = 2.0
    reuse: Annotated[bool, Field(exclude=True)] = True


class ElectricalSettings(Section):
    """Supply and transformer model; see docs of ``survey.physics``.

    ``overhead_nf_km``: one phase of overhead line to ground, where its record says nothing (zero sequence: 4.8 to 5.4
    from five published line matrices, IEEE 13-, 34- and 123-bus test feeders). ``arrester_pu``: voltage at which
    arresters take about one ampere (1.5 to 1.7 station class, 2.0 to 2.2 distribution class).
    ``arrester_kj_per_kv``: energy they may take, per kV of continuous rating; the voltage class's where not given.
    """

    frequency_hz: Literal[50, 60] = 60
    series_r_pu: Annotated[float, Field(gt=0, le=0.2)] = 0.02
    knee_pu: Annotated[float, Field(ge=1.0, le=1.6)] = 1.15
    saturated_x_pu: Annotated[float, Field(gt=0.01, le=2)] = 0.2
    exciting_pct: Positive | None = None
    overhead_nf_km: NotNegative = 5.0
    arrester_kj_per_kv: Positive | None = None
    arrester_pu: Annotated[float, Field(ge=1.3, le=3.0)] = 1.9


class LimitSettings(Section):
    """Screening limits and the voltage limit (Hopkinson 1967/1968; Short; from memory; of open delta derived).

    ``minload_three_phase``: a dependable load is balanced on three phases where its record does not say; only such a
    load protects. ``one_phase_share``: dependable load of single-phase units, share of rating (judgement from open load
    data: about 2.5 % for five customers and more, 1 % for one or two).
    """

    delta_xc_xm: Positive = 40.0
    floating_wye_xc_xm: Positive = 40.0
    open_delta_xc_xm: Positive = 45.0
    five_legged_charge_loss: Positive = 1.0
    voltage_pu: Annotated[float, Field(ge=1.0, le=3.0)] = 1.25
    load_rule: Share = 0.15
    worst_kva: Positive = 2500.0
    minload_three_phase: bool = False
    one_phase_share: Share = 0.025


class StudySettings(Section):
    """The time-domain study.

    ``run = false`` leaves its columns empty and scores by the screening margin. ``sensitivity`` tells how the ranking
    moves with resistance, saturation and arresters: the circuits of the leading sites are simulated six times more.
    """

    run: bool = True
    cache: bool = True
    sensitivity: bool = False


class ScoreSettings(Section):
    """Cut points of severity, and weights of score and risk.

    Cut points have a physical meaning each: how long what is at the open phase lasts. ``severe_s``: an arrester is at
    its thermal limit while one pole is being moved (1 s: judgement). ``high_s``: it is so before the next pole can
    follow with the same stick (10 s: judgement); later, within minutes, or never is moderate. Without arresters the
    peaks at which insulation lasts as long: new transformers of the 15 kV class hold 34 kV for a minute, 4.7 times
    normal crest (IEEE C57.12.00, from memory), and the voltage held for a time t goes with t^(-1/12) (exponents of 9
    to 15 are usual, from memory): ``high_peak_pu`` is 4.72 (60/10)^(1/12), ``severe_peak_pu`` 4.72 (60/1)^(1/12). Over
    the voltage limit, whatever else, is moderate.

    ``ops_year``: operations a year, one pole at a time, by a word in the device's text; ``ops_year_other`` for all else
    (judgement; faults alone give 0.08 to 0.10 a year for a riser cutout, planned work comes on top).
    ``backfed_ops_year``: the same of every single-pole point of a loop while that is fed from its other end, as of an
    elbow (judgement). All weights are
    judgement of this project (common practice, no source).
    """

    severe_s: Positive = 1.0
    high_s: Positive = 10.0
    high_peak_pu: Annotated[float, Field(gt=1.0, lt=10)] = 5.5
    severe_peak_pu: Annotated[float, Field(gt=1.0, lt=10)] = 6.6
    load_trust: Share = 0.5
    gang_trust: Share = 0.5
    customers_half: Positive = 50.0
    customers_weight: Share = 0.5
    rating_half_kva: Positive = 500.0
    rating_weight: Share = 0.25
    critical_weight: Share = 0.25
    ops_year: dict[str, NotNegative] = Field(
        default_factory=lambda: {"cutout": 0.5, "fuse": 0.5, "elbow": 0.05, "disconnect": 0.2, "switch": 0.2}
    )
    ops_year_other: NotNegative = 0.2
    backfed_ops_year: NotNegative = 0.05

    @model_validator(mode="after")
    def _cuts_rise(self) -> ScoreSettings:
        if not 0.01 < self.severe_s < self.high_s < 86_400:
            msg = "severe_s and high_s must rise in this order, between 0.01 and 86400"
            raise ValueError(msg)
        if not self.high_peak_pu < self.severe_peak_pu:
            msg = "high_peak_pu and severe_peak_pu must rise in this order"
            raise ValueError(msg)
        return self


class UncertaintySettings(Section):
    """Relative uncertainty of what a circuit is made of, for the low-high interval of the score.

    Ends are value / (1 + u) and value x (1 + u). Engineering judgement of this project (common practice, no source);
    the default exciting current, 0.3 % at 0.2 % of core loss, spans 0.22 to 0.6 % (0.2-1 % modern: from memory), since
    its magnetizing part is moved.
    """

    capacitance: NotNegative = 0.05
    capacitance_default: NotNegative = 0.35
    no_load_loss: NotNegative = 0.10
    no_load_loss_default: NotNegative = 0.50
    exciting: NotNegative = 0.20
    exciting_default: NotNegative = 1.5


class ReportSettings(Section):
    """What the outputs look like.

    ``waveforms``: cards of so many leading sites show the worst sequence in time; about a second each.
    """

    title: str = "Ferroresonance survey"
    data_date: str | None = None
    units: Literal["metric", "us"] = "metric"
    background_tiles: str | None = None
    background_credit: str = ""
    waveforms: Annotated[int, Field(ge=0, le=200)] = 0


class BackgroundLayer(Section):
    """A layer of the user's own that is drawn pale beneath the network, in any coordinate system.

    ``file``: GeoPackage, or folder of shapefiles or GeoParquet, beside the export; the export itself where not given.
    ``label``: field of the names. ``look``: by what the layer is drawn with (lines street, areas land, points place).
    """

    layer: Annotated[str, Field(min_length=1)]
    file: str = ""
    label: str = ""
    look: Literal["", "street", "water", "land", "parcel", "border", "place"] = ""


class PlanSettings(Section):
    """What can be installed and at what cost, by kind; with all costs 1 a budget is a number of installs.

    ``never_devices``: single-pole devices, by what they are, that stay as they are (a fused cutout that protects).
    ``candidates``: at most so many are weighed, those that help most by themselves for their money.
    """

    costs: dict[str, Positive] = Field(default_factory=lambda: {"three_pole": 1.0, "add_three_pole": 1.0})
    never_devices: tuple[str, ...] = ()
    add_switches: bool = True
    candidates: Annotated[int, Field(ge=1)] = 5000
    curve_points: Annotated[int, Field(ge=2, le=100)] = 12
    seconds: Positive = 120.0

    @model_validator(mode="after")
    def _costs_complete(self) -> PlanSettings:
        if set(self.costs) != {"three_pole", "add_three_pole"}:
            msg = "costs needs three_pole and add_three_pole, no other"
            raise ValueError(msg)
        return self


class TagSettings(Section):
    """How the tag of a site is spelled in the utility's own records.

    ``field`` column of the tag; ``codes`` the tag by band (a band that is not listed has none); ``none`` no tag;
    ``signed_off`` the tag of a site whose sign-off holds; ``id_field`` column of the utility's own id, when the input
    settings do not name it.
    """

    field: Annotated[str, Field(min_length=1)] = "tag"
    codes: dict[str, str] = Field(
        default_factory=lambda: dict.fromkeys(("moderate", "high", "severe"), "three-pole only")
    )
    none: str = ""
    signed_off: str = ""
    id_field: str = ""

    @model_validator(mode="after")
    def _bands_are_known(self) -> TagSettings:
        unknown = sorted(set(self.codes) - {"low", "moderate", "high", "severe"})
        if unknown:
            msg = f"codes: {unknown[0]!r} is no band; choices: low, moderate, high, severe"
            raise ValueError(msg)
        return self


class Settings(Section):
    """Everything a survey can be told."""

    input: InputSettings = InputSettings()
    network: NetworkSettings = NetworkSettings()
    electrical: ElectricalSettings = ElectricalSettings()
    limits: LimitSettings = LimitSettings()
    study: StudySettings = StudySettings()
    score: ScoreSettings = ScoreSettings()
    uncertainty: UncertaintySettings = UncertaintySettings()
    report: ReportSettings = ReportSettings()
    background: tuple[BackgroundLayer, ...] = ()
    plan: PlanSettings = PlanSettings()
    tags: TagSettings = TagSettings()

    @model_validator(mode="after")
    def _limit_is_below_the_cuts(self) -> Settings:
        if self.limits.voltage_pu >= self.score.high_peak_pu:
            msg = f"score.high_peak_pu must lie above limits.voltage_pu ({self.limits.voltage_pu:g})"
            raise ValueError(msg)
        return self


def load_settings(path: Path | None) -> Settings:
    """Read a TOML settings file; ``None`` gives the defaults.

    Raises
    ------
    SettingsError
        The file is missing, is not TOML, or a key or value is not accepted.
    """
    if path is None:
        return Settings()
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = f"settings {path}: cannot be read ({error.strerror}); give a TOML file"
        raise SettingsError(msg) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"settings {path}: not a TOML file ({error}); correct that line"
        raise SettingsError(msg) from error
    return build_settings(raw, origin=str(path))


def other_sections(path: Path | None) -> dict[str, Any]:
    """What a settings file that is accepted says beside ``input``, as it stands there."""
    raw = {} if path is None else tomllib.loads(path.read_text(encoding="utf-8"))
    return {section: content for section, content in raw.items() if section != "input"}


def build_settings(raw: dict[str, Any], *, origin: str = "settings") -> Settings:
    """Build the settings from a nested dict, for example one read from TOML or from ``run.json``.

    Raises
    ------
    SettingsError
        A key or value is not accepted; the message names the first one and counts the rest.
    """
    try:
        return Settings.model_validate(raw)
    except ValidationError as error:
        raise SettingsError(_describe(error, origin)) from error


def _describe(error: ValidationError, origin: str) -> str:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"]) or "(all)"
    text = f"{origin}: key '{key}': {first['msg'].removeprefix('Value error, ')}"
    if first["type"] == "input_map":
        text = f"{origin}: key '{first['ctx']['key']}': {first['ctx']['problem']}"
    elif first["type"] == "extra_forbidden":
        text = f"{origin}: key '{key}' is not a setting; {_choices(first['loc'])}"
    elif "input" in first and not isinstance(first["input"], dict):
        text += f", found {first['input']!r}"
    more = error.error_count() - 1
    return text + (f" (and {more} more)" if more else "")


def _choices(loc: tuple[int | str, ...]) -> str:
    """Keys of the innermost section on the way to a key; names of tables and numbers of parts are no sections."""
    model: Any = Settings
    for part in loc[:-1]:
        field = model.model_fields.get(str(part))
        model = model if field is None else _section_in(field.annotation) or model
    return "accepted here: " + ", ".join(model.model_fields)


def _section_in(annotation: Any) -> Any:  # noqa: ANN401
    """Return the section that a setting is made of, by itself or in a list or table; else ``None``."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _section_in(inner))), None)
