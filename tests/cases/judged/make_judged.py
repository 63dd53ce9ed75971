"""What the survey says of the sample and of two large invented utilities, kept because their study takes minutes.

``python tests/cases/judged/make_judged.py [NAME ...]`` brings ``*.csv`` up to date; with ``sample`` also
``sensitivity.json``, how its ranking moves. Of the utilities one at 12.47 kV records nothing but what it must, one at
20 kV has arresters and customers on record.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
SAMPLE = HERE.parents[2] / "sample_data" / "network.gpkg"
sys.path.insert(0, str(HERE.parents[1] / "benchmarks"))
COLUMNS = ["status", "band", "hazard", "score", "risk", "worst_peak_pu", "arrester_s", "exposed_kva", "one_phase_kva"]


def plain(frames):
    """The maker's network as it is."""
    return frames


def recorded(frames):
    """The same at 20 kV, with more on record."""
    rng = np.random.default_rng(5)
    sites, cables = frames["transformers"], frames["cables"]
    sites["kv"], cables["kv"] = 20.0, 20.0
    cables["cable_type"] = cables["cable_type"].str.replace("15kV 133%", "25kV 100%")
    sites["arrester"] = rng.choice(["yes", "no", "unknown"], len(sites), p=[0.5, 0.1, 0.4])
    sites["customers"] = rng.integers(1, 300, len(sites))
    return frames


UTILITIES = {"plain": (plain, 1500, 1), "recorded": (recorded, 1000, 2)}


def write_utility(path, change, cables, seed):
    """Write one invented utility."""
    from make_network import make_network

    for layer, frame in change(make_network(cables, seed=seed)).items():
        frame.to_file(path, layer=layer)
    return path


def judge(name, folder):
    """Survey one, study and all."""
    from survey.pipeline import run_survey
    from survey.settings import build_settings

    if name != "sample":
        return run_survey(write_utility(folder / "network.gpkg", *UTILITIES[name]))
    result = run_survey(SAMPLE, settings=build_settings({"study": {"sensitivity": True}}))
    text = json.dumps(result.record["sensitivity"], indent=1)
    (HERE / "sensitivity.json").write_text(text + "\n", encoding="utf-8")
    return result


def main(names):
    for name in names or ("plain", "recorded", "sample"):
        with tempfile.TemporaryDirectory() as folder:
            sites = judge(name, Path(folder)).sites
        path = HERE / f"{name}.csv"
        sites[["site_id", *COLUMNS]].to_csv(path, index=False, float_format="%.9g", lineterminator="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
