"""Damaged bytes end in tables or in a refusal, never in anything else, and never on the terminal."""

import os
import random

import pytest
from conftest import WRITERS, cable, frame, line, site, switch

from survey.errors import SurveyError
from survey.findings import FindingList
from survey.read import read_network
from survey.settings import Settings

ROUNDS = int(os.environ.get("SURVEY_FUZZ_ROUNDS", "60"))


def outcome(path):
    try:
        read_network(path, settings=Settings(), findings=FindingList())
    except SurveyError as refusal:
        return "refused" if "\n" not in str(refusal) else str(refusal)
    return "read"


@pytest.mark.parametrize("kind", ["gpkg", "shapes", "parquet"])
def test_mutated_files(kind, tmp_path, capfd):
    path = tmp_path / ("n.gpkg" if kind == "gpkg" else "n")
    layers = {
        "cables": frame([cable(f"C{i}", line((i, 0), (i + 50, 3))) for i in range(20)]),
        "transformers": frame([site(f"T{i}") for i in range(5)]),
        "switches": frame([switch(f"S{i}") for i in range(5)]),
    }
    WRITERS[kind](path, layers)
    whole = {file: file.read_bytes() for file in ([path] if kind == "gpkg" else sorted(path.iterdir()))}
    chance = random.Random(kind)
    outcomes = set()
    for _ in range(ROUNDS):
        file = chance.choice(list(whole))
        data = bytearray(whole[file])
        for _ in range(chance.choice([1, 3, 20, 200])):
            data[chance.randrange(len(data))] = chance.randrange(256)
        file.write_bytes(data[: chance.randrange(len(data))] if chance.random() < 0.2 else data)
        outcomes.add(outcome(path))
        file.write_bytes(whole[file])
    assert outcomes == {"read", "refused"}
    assert capfd.readouterr() == ("", "")
