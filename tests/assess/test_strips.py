"""The section behind a switching point on one line."""

from __future__ import annotations

import pandas as pd
from exports import _cable, _site, tables, write_gpkg

import survey


def strip(folder, layers) -> str:
    points = survey.run(write_gpkg(folder / "net.gpkg", layers), study=False).switching_points
    return str(points.set_index("switch_id")["strip"]["R1"])


def with_rows(layers, *, cables=(), sites=()) -> dict[str, pd.DataFrame]:
    layers["cables"] = pd.concat([layers["cables"], pd.DataFrame(list(cables))], ignore_index=True)
    layers["transformers"] = pd.concat([layers["transformers"], pd.DataFrame(list(sites))], ignore_index=True)
    return layers


def test_devices_lengths_and_transformers_in_their_order(tmp_path):
    assert strip(tmp_path, tables()) == "/R1 | 80 m cable | @T1 | 100 m cable | =G1 | @T2"


def test_a_branch_is_folded_in_with_its_one_site_and_both_kinds_of_line(tmp_path):
    layers = with_rows(
        tables(),
        cables=[_cable("B1", [(200, 80), (200, 110)]), _cable("B2", [(200, 110), (150, 110)], "oh")],
        sites=[_site("T9", (150, 110), kva=75.0)],
    )
    expected = "/R1 | 80 m cable | @T1 | +@T9, 30 m cable, 50 m overhead | 100 m cable | =G1 | @T2"
    assert strip(tmp_path, layers) == expected


def test_of_a_branch_with_more_sites_their_number_is_told(tmp_path):
    layers = with_rows(
        tables(),
        cables=[_cable("B1", [(200, 80), (200, 110)]), _cable("B2", [(200, 110), (200, 125)])],
        sites=[_site("T8", (200, 110), kva=75.0), _site("T9", (200, 125), kva=75.0)],
    )
    assert "| +2 sites, 45 m cable |" in strip(tmp_path, layers)


def test_an_id_cannot_break_the_strip(tmp_path):
    layers = tables()
    layers["transformers"].loc[0, "site_id"] = "T|1"
    assert strip(tmp_path, layers).count(" | ") == 5
