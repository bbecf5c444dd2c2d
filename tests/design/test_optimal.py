"""Searched plans: they obey increments, limits, constraints, loads and references, and judge as well as they must."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.design import check, quality, region
from doe.design.plan import plan_runs
from doe.design.read import plan_text
from doe.design.request import PlanRequest
from doe.errors import InputRefused
from doe.numerics import leastsq
from tests.conftest import make_study, numeric
from tests.design.plans import few_starts, planned_once

HOT = {"coef": {"nozzle_temperature": 1.0, "bed_temperature": 2.0}, "limit": 430}
SHEET = {
    "name": "data sheet",
    "setting": {"nozzle_temperature": 262, "bed_temperature": 66, "z_offset": 0.02, "drying_time": 6},
}
TARGETS = [f"target.{name}" for name in SHEET["setting"]]
ONE = {"printers": [], "responses": [{"name": "z_strength", "unit": "MPa", "at_least": 25.0}]}


def planned(study, **request):
    return planned_once(study, PlanRequest(seed=3, one_round=True, **request))


def quickly_planned(study):
    """Return a plan that keeps what every plan must, and need not be the best."""
    with few_starts():
        return plan_runs(study, PlanRequest(seed=3, one_round=True))


@pytest.mark.parametrize(
    ("prints", "loads", "average", "load_dof"),
    [(30, 6, 0.69, 3), (36, 9, 0.51, 6), pytest.param(48, 8, 0.45, 5, marks=pytest.mark.slow)],
)
def test_default_plans_predict_as_well_as_the_figures_this_project_holds_itself_to(prints, loads, average, load_dof):
    # The project's own simulations of plans at equal budgets: four factors, one fixed in a load, quadratic, equal variances.
    study = make_study(**ONE, budget={"prints": prints, "loads": loads})
    design = planned(study)
    judged = quality.quality(study, design.runs)
    strata = check.strata(study, design.runs)
    assert judged.average_variance <= average
    assert (strata.load_dof, strata.print_dof >= 5) == (load_dof, True)
    assert strata.pure_error_dof >= 3


def test_loads_are_equal_and_hold_one_setting_and_printers_alternate():
    runs = planned(make_study(budget={"prints": 32, "loads": 6})).runs
    assert sorted(runs["load"].value_counts()) == [5, 5, 5, 5, 6, 6]
    assert (runs.groupby("load")["target.drying_time"].nunique() == 1).all()
    for _, load in runs.groupby("load"):
        counts = load["printer"].value_counts()
        assert counts.max() - counts.min() <= 1
    total = runs["printer"].value_counts()
    assert total.max() - total.min() <= 1


def test_three_settings_are_printed_twice_each_in_a_load_of_its_own():
    runs = planned(make_study(budget={"prints": 32, "loads": 6})).runs
    twice = runs.groupby(["load", "cell"]).size()
    assert (twice >= 2).sum() >= 3
    assert twice[twice >= 2].index.get_level_values("load").nunique() >= 3


def test_reference_settings_are_in_the_plan_two_in_a_load_and_one_on_each_printer():
    study = make_study(references=[{**SHEET, "prints": 4}])
    runs = planned(study).runs
    mine = runs[runs["point"] == "reference"]
    assert sorted(mine["load"].value_counts()) == [2, 2]
    assert sorted(mine["printer"]) == ["A", "A", "B", "B"]
    for name, value in SHEET["setting"].items():
        assert (mine[f"target.{name}"] == value).all()
    family = plan_runs(study, PlanRequest(kind="central-composite", loads=8, seed=1)).runs
    assert (family["point"] == "reference").sum() == 4


@pytest.mark.parametrize(("printers", "prints", "loads"), [(1, 24, 6), (2, 24, 6), (4, 30, 6), (3, 36, 9)])
def test_pure_error_is_what_the_test_of_lack_of_fit_will_have(printers, prints, loads):
    study = make_study(printers=[{"name": f"P{i}"} for i in range(printers)], budget={"prints": prints, "loads": loads})
    runs = quickly_planned(study).runs
    X, load = check.matrix(study, runs)
    blocks = np.hstack([X[:, 15:], np.eye(loads)[load]])
    fitted = leastsq.lack_of_fit(np.random.default_rng(1).normal(size=prints), X[:, :15], check.cells(runs[TARGETS]), blocks)
    assert check.strata(study, runs).pure_error_dof == fitted.df_pe >= 2


@pytest.mark.parametrize("limit", [340.0, 372.0])
def test_a_plan_is_found_where_constraints_leave_too_few_corners(limit):
    weight = 1.0 if limit == 340 else 1.5
    study = make_study(constraints=[{"coef": {"nozzle_temperature": 1.0, "bed_temperature": weight}, "limit": limit}])
    runs = quickly_planned(study).runs
    assert (runs["target.nozzle_temperature"] + weight * runs["target.bed_temperature"]).max() <= limit
    assert check.strata(study, runs).coefficients == 16


@pytest.mark.parametrize("kind", ["compound", "i-optimal", "d-optimal"])
def test_a_screen_is_planned_under_constraints(kind):
    study = make_study(constraints=[HOT], model={"terms": "main"}, budget={"prints": 14, "loads": 5})
    runs = planned(study, purpose="screen", kind=kind).runs
    assert len(runs) == 14
    assert (runs["target.nozzle_temperature"] + 2 * runs["target.bed_temperature"]).max() <= HOT["limit"]


def test_too_many_references_for_the_loads_are_refused():
    other = {**SHEET, "name": "practice", "setting": {**SHEET["setting"], "drying_time": 7}}
    many = [{**SHEET, "name": f"sheet {hour}", "setting": {**SHEET["setting"], "drying_time": hour}} for hour in range(4, 13)]
    assert len(planned(make_study(references=[SHEET, other])).runs) == 30
    with pytest.raises(InputRefused, match="reference prints do not fit into the loads"):
        planned(make_study(references=many))


def test_centre_prints_can_be_asked_for():
    runs = planned(make_study(), centre=3).runs
    middle = runs[runs["point"] == "centre"]
    assert len(middle) >= 3
    assert ((middle["target.nozzle_temperature"] == 270) & (middle["target.bed_temperature"] == 70)).all()


def test_a_screen_stands_at_low_and_high_and_keeps_main_effects_clear_of_drying_interactions():
    study = make_study(model={"terms": "main"}, budget={"prints": 24, "loads": 8})
    design = planned(study)
    for factor in study.factors:
        assert set(design.runs[f"target.{factor.name}"]) == {factor.low, factor.high}
    X, _ = check.matrix(study, design.runs)
    coded = X[:, 1:5]
    products = coded[:, :3] * coded[:, 3:4]
    assert np.linalg.matrix_rank(np.hstack([X, products])) == X.shape[1] + 3


def test_the_same_request_gives_the_same_plan():
    study = make_study(budget={"prints": 26, "loads": 5}, constraints=[HOT], references=[SHEET])
    with few_starts():
        first, second = (plan_runs(study, PlanRequest(seed=11)) for _ in range(2))
    assert plan_text(first) == plan_text(second)


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 10_000),
    loads=st.integers(5, 8),
    prints=st.integers(26, 34),
    printers=st.integers(0, 3),
    kind=st.sampled_from(["d-optimal", "i-optimal", "compound"]),
    constrained=st.booleans(),
    referenced=st.booleans(),
)
def test_every_plan_obeys_the_study(seed, loads, prints, printers, kind, constrained, referenced):
    study = make_study(
        printers=[{"name": f"P{i}"} for i in range(printers)],
        budget={"prints": prints, "loads": loads},
        constraints=[HOT] if constrained else [],
        references=[SHEET] if referenced else [],
    )
    with few_starts():
        design = plan_runs(study, PlanRequest(kind=kind, seed=seed))
    runs = design.runs
    assert (len(runs), runs["load"].nunique()) == (prints, loads)
    assert (runs.groupby("load")["target.drying_time"].nunique() == 1).all()
    assert ((runs["load"] != runs["load"].shift()).sum()) == loads
    for factor in study.factors:
        values = runs[f"target.{factor.name}"].to_numpy()
        steps = (values - factor.low) / factor.increment
        assert np.abs(steps - np.round(steps)).max() < 1e-6
        assert values.min() >= factor.low
        assert values.max() <= factor.high
    if constrained:
        assert (runs["target.nozzle_temperature"] + 2 * runs["target.bed_temperature"]).max() <= 430
        assert "constraints empty a corner" in {one.name for one in design.verdicts}
    assert (runs["point"] == "reference").sum() == int(referenced)
    assert check.strata(study, runs).load_dof >= 1


def test_swapping_low_and_high_or_the_factors_order_leaves_the_figures_as_they_are():
    study = make_study()
    runs = quickly_planned(study).runs
    swapped = runs.copy()
    swapped["target.bed_temperature"] = 140 - runs["target.bed_temperature"]
    first, second = quality.quality(study, runs), quality.quality(study, swapped)
    reordered = make_study(factors=[one.model_dump() for one in reversed(study.factors)])
    third = quality.quality(reordered, runs)
    for other in (second, third):
        assert other.average_variances == pytest.approx(first.average_variances, rel=1e-9)
        assert other.d_efficiencies == pytest.approx(first.d_efficiencies, rel=1e-9)
        assert other.worst_variance == pytest.approx(first.worst_variance, rel=1e-9)


def test_average_variance_is_the_average_over_the_region():
    # Monte Carlo over the cube, and over what the constraint leaves of it: an independent route to the exact moments.
    generator = np.random.default_rng(5)
    for changes in ({}, {"constraints": [HOT]}):
        study = make_study(**changes)
        runs = quickly_planned(study).runs
        X, load = check.matrix(study, runs)
        V = np.eye(len(X)) + (load[:, None] == load[None, :])
        C = np.linalg.inv(X.T @ np.linalg.solve(V, X))
        points = generator.uniform(-1, 1, (40_000, 4))
        points = points[region.allowed(study, points)]
        rows = np.column_stack(
            [np.ones(len(points)), points]
            + [points[:, i] * points[:, j] for i in range(4) for j in range(i + 1, 4)]
            + [points**2, np.zeros(len(points))]
        )
        values = np.einsum("ij,jk,ik->i", rows, C, rows)
        found = quality.quality(study, runs).average_variance
        assert found == pytest.approx(values.mean(), abs=5 * values.std() / np.sqrt(len(values)))


def test_impossible_constraints_are_refused():
    tight = {"coef": {"nozzle_temperature": 1.0, "bed_temperature": 1.0, "drying_time": 1.0}, "limit": 319.5}
    with pytest.raises(InputRefused, match=r"the search for a plan|cannot tell apart"):
        quickly_planned(make_study(constraints=[tight]))


def test_a_factor_whose_increment_is_half_the_range_still_gets_three_levels():
    study = make_study(factors=[numeric("a", 0, 2, 1), numeric("b", 0, 2, 1)], printers=[], budget={"prints": 12})
    runs = planned(study).runs
    assert set(runs["target.a"]) == {0, 1, 2}


def test_increments_that_cost_more_than_a_twentieth_of_the_efficiency_are_said():
    # Three steps: the middle cannot be set, and squares are told apart from the mean less well.
    coarse = make_study(
        factors=[numeric("a", 0, 3, 1), numeric("b", 0, 3, 1)], printers=[], budget={"prints": 14}, model={"terms": "quadratic"}
    )
    design = planned(coarse)
    assert design.facts["rounding_efficiency"] < 95
    assert "rounding to increments" in {one.name for one in design.verdicts}
    fine = make_study(factors=[numeric("a", 0, 3, 0.1), numeric("b", 0, 3, 0.1)], printers=[], budget={"prints": 14})
    assert planned(fine).facts["rounding_efficiency"] == 100


def test_levels_with_names_are_searched_too():
    study = make_study(
        factors=[numeric("a", 0, 3, 0.1), {"name": "surface", "levels": ["glass", "sheet", "plate"]},
                 {"name": "filler", "levels": ["old", "new"], "change": "load"}],
        printers=[], budget={"prints": 24, "loads": 6},
    )  # fmt: skip
    runs = planned(study).runs
    assert (runs.groupby("load")["target.filler"].nunique() == 1).all()
    assert runs["target.surface"].value_counts().min() >= 7
    assert runs.groupby("target.filler")["load"].nunique().tolist() == [3, 3]
