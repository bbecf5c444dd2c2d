"""Lost prints planned anew: their settings, printers and cells, on new loads, counted for the round they were lost from."""

import numpy as np
import pytest

from doe.design import check
from doe.design.plan import plan_runs
from doe.design.read import plan_text, read_plan
from doe.design.reprint import reprint, reprinted
from doe.design.request import PlanRequest
from doe.sheet.layout import plan_digest
from tests.conftest import make_study, numeric

FACTORS = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, change="load")]


@pytest.fixture(scope="module")
def planned():
    study = make_study(factors=FACTORS, printers=[{"name": "A"}, {"name": "B"}], budget={"prints": 16, "loads": 6})
    return study, plan_runs(study, PlanRequest(kind="i-optimal", one_round=True, seed=4))


def lost_load(design, place=1):
    load = list(dict.fromkeys(design.runs["load"]))[place]
    return list(design.runs.loc[design.runs["load"] == load, "print"])


def test_a_lost_load_is_planned_as_one_new_load(planned):
    study, design = planned
    lost = lost_load(design)
    made = reprint(study, design, lost, seed=1)
    new = made.of_round(2)
    assert sorted(new["reprint_of"]) == sorted(lost)
    assert set(new["load"]).isdisjoint(design.runs["load"])
    assert new["load"].nunique() == 1
    assert set(new["print"]).isdisjoint(design.runs["print"])
    assert reprinted(made) == set(lost)


def test_each_reprint_has_setting_printer_and_cell_of_its_print(planned):
    study, design = planned
    lost = [*lost_load(design, 0), *lost_load(design, 3)]
    made = reprint(study, design, lost, seed=1).runs.set_index("print")
    same = ["printer", "point", "cell", "kind", "target.nozzle_temperature", "target.drying_time", "set.nozzle_temperature"]
    for _, row in made[made["reprint_of"] != ""].iterrows():
        assert row[same].equals(made.loc[row["reprint_of"], same].rename(row.name))
    assert (made.loc[lost, "round"] == 1).all()  # the old rows stay


def test_prints_of_other_levels_never_share_a_load(planned):
    study, design = planned
    lost = list(design.runs["print"])
    new = reprint(study, design, lost, seed=1).of_round(2)
    assert (new.groupby("load")["target.drying_time"].nunique() == 1).all()
    most = design.runs.groupby("load").size().max()
    assert new.groupby("load").size().max() <= most


def test_reprints_are_no_block_of_their_own(planned):
    study, design = planned
    made = reprint(study, design, lost_load(design), seed=1)
    assert set(check.round_blocks(made.runs)) == {"1"}
    assert check.matrix(study, made.runs)[0].shape[1] == check.matrix(study, design.runs)[0].shape[1]
    again = reprint(study, made, list(made.of_round(2)["print"][:1]), seed=1)
    assert again.rounds == [1, 2, 3]
    assert set(check.round_blocks(again.runs)) == {"1"}


def test_the_plan_is_read_back_and_older_sheets_stay_valid(planned):
    study, design = planned
    made = reprint(study, design, lost_load(design), seed=1)
    back = read_plan(plan_text(made), study)
    assert back.runs.equals(made.runs)
    assert plan_digest({}, back.of_round(1)) == plan_digest({}, design.of_round(1))


def test_the_order_within_the_new_loads_is_random(planned):
    study, design = planned
    lost = lost_load(design)
    orders = {tuple(reprint(study, design, lost, seed=seed).of_round(2)["reprint_of"]) for seed in range(12)}
    assert len(orders) > 1


def test_without_loads_only_prints_are_planned():
    study = make_study(factors=FACTORS[:1], budget={"prints": 8})
    design = plan_runs(study, PlanRequest(kind="i-optimal", one_round=True, seed=4))
    new = reprint(study, design, list(design.runs["print"][:2]), seed=1).of_round(2)
    assert list(new["load"]) == ["", ""]
    assert np.isin(new["reprint_of"], design.runs["print"]).all()
