"""What is typed or called with about one transformer, in SI."""

from dataclasses import dataclass

from survey.desk.checks import check_transformer, choose_cable
from survey.desk.circuit import Transformer
from survey.desk.nameplate import read_nameplate, read_rating
from survey.desk.site import SiteRequest
from survey.desk.working import FOOT_M
from survey.physics.catalogue import Catalogue
from survey.settings import Settings

NOT_GIVEN = float("nan")
SEPARATE = "separate"  # units of a bank have a core each


@dataclass(frozen=True)
class SiteOptions:
    """What describes one transformer and its cable, as ``survey site`` names it."""

    kva: str
    kv: str
    connection: str | None = None
    core: str | None = None
    cable: str | None = None
    cap_nf_km: float | None = None
    length: float = 0.0
    length_unit: str = "m"
    load: float = 0.0
    nll: float | None = None
    exc: float | None = None


def make_request(options: SiteOptions, catalogue: Catalogue, settings: Settings) -> SiteRequest:
    """The request in SI.

    Raises
    ------
    ModelError
        A value cannot be, or is not known.
    """
    nameplate, rating = read_nameplate(options.kv, options.connection), read_rating(options.kva)
    transformer = Transformer(
        rating_va=rating.kva * 1e3,
        voltage_v=nameplate.kv * 1e3,
        connection=nameplate.connection,
        core=options.core or (SEPARATE if rating.units > 1 else ""),
        loss_w=NOT_GIVEN if options.nll is None else options.nll,
        exciting_pu=NOT_GIVEN if options.exc is None else options.exc / 100,
        load_w=options.load * 1e3,
    )
    check_transformer(transformer)
    cable = choose_cable(
        options.cable, options.cap_nf_km, voltage_v=transformer.voltage_v, catalogue=catalogue, settings=settings
    )
    length_m = options.length * (FOOT_M if options.length_unit == "ft" else 1.0)
    words = "; ".join(filter(None, (nameplate.words, rating.words)))
    return SiteRequest(transformer, cable, length_m, words)
