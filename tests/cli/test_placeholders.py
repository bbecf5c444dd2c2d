"""Texts of a new study that only say what to write: named at the plan, refused before a sheet goes to operators."""

import json

import pytest

from doe.study.materials import families, new_study_text
from doe.study.placeholders import left_to_write, placeholder_verdicts
from doe.study.read import parse_study
from tests.cli.conftest import snapshot, written_down

ALWAYS = ["study.title", "study.material"]


@pytest.fixture
def mine(tmp_path, doe):
    assert doe("new", tmp_path / "mine", "--family", "other")[0] == 0
    return tmp_path / "mine"


@pytest.mark.parametrize("family", families())
def test_a_new_study_of_any_family_has_them(family):
    keys = [key for key, _ in left_to_write(parse_study(new_study_text(family, "clip")))]
    assert keys[:2] == ALWAYS and "conditions.profile" in keys
    assert ("conditions.bed_surface" in keys) == (family != "PP")  # which has one of its own
    assert ("conditions.fan" in keys) == (family == "other")
    named = [key for key, _ in left_to_write(parse_study(new_study_text(family, "clip", title="A clip", material="as bought")))]
    assert named == keys[2:]


def test_the_plan_names_them_all_and_the_sheet_is_refused(mine, doe):
    status, out, _ = doe("plan", "--study", mine, "--seed", 1, "--json")
    said = {one["name"]: one["cause"] for one in json.loads(out)["verdicts"]}
    for key in (*ALWAYS, "conditions.fan", "conditions.bed_surface", "conditions.profile"):
        assert f"{key}: '" in said["placeholders left"]
    assert "responses 'z_strength'.at_least" in said["starting points left as they were"]
    before = snapshot(mine)
    status, _, err = doe("sheet", "--study", mine)
    assert status == 3 and snapshot(mine) == before
    assert "5 problems" in err and "study.toml, conditions.profile: 'name or hash of the slicing profile' still says" in err
    assert "doe amend --reason" in err


def test_an_amendment_before_the_sheet_is_enough(mine, doe):
    assert doe("plan", "--study", mine, "--seed", 1)[0] == 0
    written_down(mine)
    status, out, _ = doe("amend", "--study", mine, "--reason", "as in our shop", "--json")
    assert status == 0 and json.loads(out)["verdicts"] == []
    assert doe("sheet", "--study", mine)[0] == 0


def test_a_value_that_was_changed_is_not_named():
    text = new_study_text("other", "clip").replace("low = 210", "low = 208")
    (found,) = [one for one in placeholder_verdicts(parse_study(text)) if one.name.startswith("starting")]
    assert "'nozzle_temperature'.low" not in found.cause and "'nozzle_temperature'.high" in found.cause
