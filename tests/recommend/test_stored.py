import json
from pathlib import Path

import pytest

from doe.files import dump_json
from doe.recommend.results import as_data
from doe.recommend.stored import from_data

RUNS = Path(__file__).parents[2] / "example_runs"
STORED = json.loads((RUNS / "3-confirmation" / "recommendation.json").read_bytes())


def test_what_is_read_back_is_stored_the_same_again():
    found = from_data(STORED)
    assert json.loads(dump_json(as_data(found))) == STORED
    assert [one.factor for one in found.settings] == list(STORED["settings"])
    assert isinstance(found.responses[0].mean_interval, tuple)


@pytest.mark.parametrize("name", ["window", "next", "study"])
def test_data_that_lack_a_part_are_not_taken(name):
    assert from_data({key: value for key, value in STORED.items() if key != name}) is None


def test_data_with_another_part_are_not_taken():
    assert from_data({**STORED, "of_another_version": 1}) is None


def test_data_of_another_shape_are_not_taken():
    assert from_data({**STORED, "settings": []}) is None
    assert from_data({**STORED, "settings": {"nozzle_temperature": {"value": "hot"}}}) is None
