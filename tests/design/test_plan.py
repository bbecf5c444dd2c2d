"""Plans: loads, printers, order, increments, identifiers, and what is refused before a gram is dried."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.design import check, order
from doe.design.compare import Candidate
from doe.design.plan import describe, identifier, plan_runs
from doe.design.read import plan_text, read_plan, read_table
from doe.design.request import PlanRequest
from doe.errors import InputRefused
from doe.numerics import catalogue
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.design.plans import planned_once

COMPOSITE = catalogue.central_composite(4, "face", "rotatable", 4).points


def problems(error):
    return "\n".join(str(one) for one in error.value.problems)


@pytest.mark.slow
def test_same_seed_gives_the_same_bytes_and_another_does_not(study):
    first, again = (plan_text(make(study, PlanRequest(seed=5))) for make in (planned_once, plan_runs))
    assert first == again
    assert plan_text(plan_runs(study, PlanRequest(seed=6))) != first


def test_plan_text_reads_back_as_the_same_plan(study):
    design = planned_once(study, PlanRequest(seed=5))
    pd.testing.assert_frame_equal(read_plan(plan_text(design), study).runs, design.runs, check_dtype=False)


@pytest.mark.parametrize(
    ("column", "text", "said"),
    [
        ("target.nozzle_temperature", "hot", "row 3: 'hot'; a number, as"),
        ("set.bed_temperature", "nan", "row 3: 'nan'; a number, as"),
        ("target.z_offset", "inf", "row 3: 'inf'; a number, as"),
        ("order", "2.5", "row 3: '2.5'; a whole number, as"),
    ],
)
def test_a_plan_with_a_cell_that_is_no_number_is_refused_by_column_and_row(column, text, said):
    study = make_study()
    table = read_table(plan_text(planned_once(study, PlanRequest(kind="central-composite", seed=0, loads=8))), "plan.csv")
    table.loc[1, column] = text
    with pytest.raises(InputRefused, match=f"plan.csv, column '{column}', {said}"):
        read_plan(table.to_csv(index=False).encode(), study)


@pytest.mark.parametrize("kind", ["factorial", "central-composite", "box-behnken"])
def test_load_factor_is_constant_within_a_load_and_loads_are_printed_one_after_another(kind):
    terms = "interactions" if kind == "factorial" else "quadratic"
    runs = plan_runs(make_study(model={"terms": terms}), PlanRequest(kind=kind, seed=1)).runs
    assert (runs.groupby("load")["target.drying_time"].nunique() == 1).all()
    changes = (runs["load"] != runs["load"].shift()).sum()
    assert changes == runs["load"].nunique() == 8
    assert runs["target.drying_time"].isin([4, 8, 12]).all()


def test_a_level_of_the_load_factor_gets_several_separate_loads(study):
    runs = planned_once(study, PlanRequest(seed=5)).runs
    assert (runs.groupby("target.drying_time")["load"].nunique() >= 2).all()


def test_printers_alternate_within_every_load(study):
    runs = planned_once(study, PlanRequest(seed=5)).runs
    for _, load in runs.groupby("load"):
        assert (load["printer"].to_numpy()[1:] != load["printer"].to_numpy()[:-1]).all()


def test_without_a_number_the_loads_leave_three_error_degrees_of_freedom():
    design = plan_runs(make_study(budget={"prints": 30}), PlanRequest(seed=1))
    assert design.facts["strata"]["load_dof"] == 3


def test_loads_as_random_blocks_where_no_factor_is_fixed_in_them():
    study = make_study(
        factors=[numeric("nozzle_temperature", 255, 285, 1), numeric("bed_temperature", 60, 80, 1)], budget={"loads": 4}
    )
    design = plan_runs(study, PlanRequest(kind="central-composite", seed=1))
    assert design.runs["load"].nunique() == 4
    assert design.facts["strata"]["load_dof"] == 3


def test_degrees_of_freedom_are_those_of_the_ranks():
    # Box, Hunter and Hunter (2005), Table 9.2: six heats at three temperatures, four coatings in each: 3 and 9.
    study = make_study(
        factors=[
            {"name": "temperature", "levels": ["360", "370", "380"], "change": "load"},
            {"name": "coating", "levels": ["C1", "C2", "C3", "C4"]},
        ],
        model={"terms": "interactions"},
        printers=[],
        budget={},
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=2, loads=6, seed=2))
    strata = design.facts["strata"]
    assert (strata["prints"], strata["coefficients"], strata["load_dof"], strata["print_dof"]) == (24, 12, 3, 9)


def test_setpoints_are_corrected_by_each_printers_checks():
    checks = [{"factor": "nozzle_temperature", "set": [250, 290], "actual": [244, 284]}]
    study = make_study(printers=[{"name": "A", "checks": checks}, {"name": "B"}])
    runs = planned_once(study, PlanRequest(seed=5)).runs
    shift = runs["set.nozzle_temperature"] - runs["target.nozzle_temperature"]
    assert (shift[runs["printer"] == "A"] == 6).all()
    assert (shift[runs["printer"] == "B"] == 0).all()


def test_rounding_to_the_increment_is_reported_with_how_far_it_moved():
    study = make_study(factors=[numeric("nozzle_temperature", 255, 285, 10), numeric("bed_temperature", 60, 80, 10)])
    design = plan_runs(study, PlanRequest(kind="central-composite", form="inscribed", seed=1))
    # The grid from 255 in steps of 10 has 265 and 275: the centre, 270, moves farthest, by 5.
    assert design.facts["rounding"]["nozzle_temperature"] == pytest.approx(5.0, abs=1e-9)
    assert "rounding to increments" in {verdict.name for verdict in design.verdicts}


def test_fraction_lists_its_resolution_and_its_aliases():
    names = [f"factor_{letter}" for letter in "abcdefg"]
    study = make_study(factors=[numeric(name, 0, 2, 1, unit="1") for name in names], model={"terms": "main"}, budget={})
    design = plan_runs(study, PlanRequest(kind="fractional", resolution=3, centre=2, seed=1))
    assert (len(design.runs), design.facts["resolution"]) == (10, 3)
    # 2^(7-4) of Box, Hunter and Hunter (2005), Table 6.22: every main effect stands with three pairs.
    chains = [chain.split(" = ") for chain in design.facts["aliases"]]
    assert sorted(len(chain) for chain in chains) == [4] * 7


@pytest.mark.parametrize(
    ("changes", "request_", "said"),
    [
        ({}, PlanRequest(kind="factorial"), "cannot tell apart: .*\\^2"),
        ({}, PlanRequest(kind="central-composite", loads=2), "takes from 3 .* to 28"),
        ({}, PlanRequest(loads=3), "at least 4 loads are needed"),
        ({}, PlanRequest(kind="box-behnken", centre=-1), "count"),
        ({"factors": [numeric("nozzle_temperature", 255, 285, 1)]}, PlanRequest(kind="central-composite"), "at least 2 numeric"),
        (
            {"constraints": [{"coef": {"nozzle_temperature": 1.0}, "limit": 280}]},
            PlanRequest(kind="central-composite"),
            "constraints\\[1\\]: .* settings break it",
        ),
        (
            {"printers": [{"name": "A", "limits": {"nozzle_temperature": [0, 290]}}]},
            PlanRequest(kind="central-composite", form="circumscribed"),
            "printer 'A', limits.nozzle_temperature: the plan needs",
        ),
    ],
    ids=[
        "squares from two levels",
        "fewer loads than levels",
        "no load error",
        "negative centre",
        "one factor",
        "constraint",
        "limits",
    ],
)
def test_what_cannot_work_is_refused_with_its_remedy(changes, request_, said):
    with pytest.raises(InputRefused, match=said):
        plan_runs(make_study(**changes), request_)


@pytest.mark.parametrize(
    ("request_", "command"),
    [
        (PlanRequest(kind="fractional", resolution=5, centre=0, replicates=2),
         "doe plan --kind fractional --resolution 5 --centre 0 --replicates 2 --seed 1"),
        (PlanRequest(kind="central-composite", form="inscribed", distance="orthogonal", seed=4),
         "doe plan --kind central-composite --form inscribed --distance orthogonal --seed 4"),
        (PlanRequest(purpose="screen", prints=24, loads=6, one_round=True),
         "doe plan --prints 24 --loads 6 --one-round --purpose screen --seed 1"),
    ],
    ids=lambda value: None if isinstance(value, str) else value.kind,
)  # fmt: skip
def test_the_command_of_a_candidate_makes_that_plan(request_, command):
    assert Candidate("one of several", request_).command == command


def test_a_saturated_plan_says_that_no_interval_is_possible():
    study = make_study(
        factors=[numeric("a", 0, 2, 1), numeric("b", 0, 2, 1)], model={"terms": "interactions"}, printers=[], budget={}
    )
    design = plan_runs(study, PlanRequest(kind="factorial", centre=0))
    assert "no error degree of freedom" in {verdict.name for verdict in design.verdicts}


@given(st.integers(0, 99_999), st.integers(0, 4), st.integers(0, 9))
def test_one_wrong_digit_changes_the_check_letter(number, place, digit):
    right = identifier("P", number, 5)
    wrong = right[1 : 1 + place] + str(digit) + right[2 + place : 6]
    if wrong != right[1:6]:
        assert identifier("P", int(wrong), 5)[-1] != right[-1]


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), loads=st.integers(6, 14), printers=st.integers(0, 3))
def test_every_arrangement_keeps_settings_loads_and_printers_whole(seed, loads, printers):
    study = make_study(printers=[{"name": f"P{i}"} for i in range(printers)])
    runs = plan_runs(study, PlanRequest(kind="central-composite", seed=seed, loads=loads)).runs
    assert runs["load"].nunique() == loads
    assert (runs.groupby("load")["target.drying_time"].nunique() == 1).all()
    assert sorted(runs["print"]) == sorted(set(runs["print"]))
    coded = scale.coded(study, check.settings_of(study, runs)).round(9) + 0.0
    assert sorted(map(tuple, coded.tolist())) == sorted(map(tuple, COMPOSITE.tolist()))
    if printers > 1:
        assert runs["printer"].value_counts().max() - runs["printer"].value_counts().min() <= 1


def test_loads_are_shared_out_by_size():
    level = np.array([0] * 9 + [1] * 9 + [2] * 12)
    assert order._loads_per_level(level, 8) == {0: 3, 1: 2, 2: 3} or order._loads_per_level(level, 8) == {
        0: 2,
        1: 3,
        2: 3,
    }


def test_cells_are_numbered_by_first_appearance():
    table = pd.DataFrame({"a": [1.0, 2.0, 1.0], "b": ["x", "x", "x"]})
    assert check.cells(table).tolist() == [0, 1, 0]


def test_a_plan_read_from_disk_tells_its_resolution_and_aliases_again():
    names = [f"factor_{letter}" for letter in "abcdefg"]
    study = make_study(factors=[numeric(name, 0, 2, 1, unit="1") for name in names], model={"terms": "main"}, budget={})
    design = plan_runs(study, PlanRequest(kind="fractional", resolution=3, centre=2, seed=1))
    again = describe(study, read_plan(plan_text(design), study))
    assert again.facts["resolution"] == design.facts["resolution"] == 3
    assert {frozenset(chain.split(" = ")) for chain in again.facts["aliases"]} == {
        frozenset(chain.split(" = ")) for chain in design.facts["aliases"]
    }
