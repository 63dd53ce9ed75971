"""What the utility began to record late: arresters, balanced loads, operations a year; and its odd circuits."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from districts import FG13
from ledger import Ledger, Unit
from shapely import LineString

END_OF_THE_ROAD = (3250.0, 90.0)
"""Where the main of Larkmoor ends."""
RING = ((3310.0, 90.0), (3380.0, 140.0), (3450.0, 90.0), (3380.0, 40.0), (3310.0, 90.0))


def extend(ledger: Ledger, seed: int) -> None:
    """Add to finished records; what was there stays as it is, but for fields that were empty."""
    rng = np.random.default_rng(seed)
    _ring(ledger)
    _open_delta_bank(ledger)
    _between_two_phases(ledger)
    for row in ledger.transformers:
        row["arrester"] = rng.choice(["yes", "no", None], p=[0.55, 0.1, 0.35])
        row["minload_3p"] = None if row["minload_kw"] is None else rng.choice(["yes", "no", None], p=[0.5, 0.2, 0.3])
    for row in ledger.switches:
        single = row["poles"] == "single"
        row["arrester"] = rng.choice(["yes", None], p=[0.4, 0.6]) if single and "cutout" in row["device"] else None
        row["ops_year"] = float(rng.choice([0.1, 1.0, 2.0, 4.0])) if single and rng.random() < 0.12 else None


def _ring(ledger: Ledger) -> None:
    """Shops round a square at the end of the road, on a ring of cable that nobody ever opened."""
    ledger.cable(LineString([END_OF_THE_ROAD, RING[0]]), FG13)
    ids = [ledger.cable(LineString(ends), FG13, cable_type="1/0 TR-XLPE 15kV 133%") for ends in pairwise(RING)]
    for guarded in (ids[0], ids[-1]):
        ledger.switch(RING[0], FG13, device="fused cutout", guards=guarded)
    for place, kva in ((RING[1], 300.0), (RING[3], 225.0)):
        ledger.site(place, FG13, unit=Unit(kva, "grounded_wye", "five_legged", "new", customers=12))


def _open_delta_bank(ledger: Ledger) -> None:
    """Two units between phases, on a pole of their own behind a cutout."""
    pole = (3250.0, 170.0)
    lead = ledger.cable(LineString([END_OF_THE_ROAD, pole]), FG13, cable_type="#2 TR-XLPE 15kV 133%")
    ledger.switch(END_OF_THE_ROAD, FG13, device="cutout", guards=lead)
    unit = Unit(37.5, "open_delta", "separate", "middle", customers=2)
    for phases in ("AB", "BC"):
        ledger.site(pole, FG13, unit=unit, phases=phases, bank_id="B-13-OD")


def _between_two_phases(ledger: Ledger) -> None:
    """A sign's transformer between two phases, on the lead of the bank."""
    sign = Unit(10.0, "delta", "separate", "old", customers=1)
    ledger.site((3250.0, 130.0), FG13, unit=sign, phases="AC")
