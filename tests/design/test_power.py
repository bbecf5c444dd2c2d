"""What a plan will show, factor by factor."""

import json
import math
import time
from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.power import FTestAnovaPower, TTestIndPower

from doe.design import check, power
from doe.design.plan import plan_runs
from doe.design.power import Assumptions, detectable
from doe.design.request import PlanRequest
from doe.numerics.batched import share_plan
from doe.numerics.power import power_at, simulated_power
from tests.conftest import make_study, numeric

SURE = 0.80


def faces(centre, loads, seed=1):
    """Return a study of four factors, one fixed in the load, and its face-centred central composite plan."""
    study = make_study(printers=[], budget={})
    request = PlanRequest(kind="central-composite", centre=centre, loads=loads, seed=seed)
    return study, plan_runs(study, request).runs


def by_name(found):
    return {one.factor: one for one in found}


def one_stratum(factors, replicates=2, terms="main"):
    study = make_study(factors=factors, printers=[], budget={}, model={"terms": terms})
    return study, plan_runs(study, PlanRequest(kind="factorial", replicates=replicates, centre=0, seed=1)).runs


def test_two_groups_need_what_a_general_library_says():
    study, runs = one_stratum([numeric("nozzle_temperature", 255, 285, 1)], replicates=13)
    wanted = TTestIndPower().solve_power(nobs1=13, alpha=0.05, power=SURE)
    found = detectable(study, runs)[0]
    assert found.effect == pytest.approx(wanted, rel=1e-6)
    assert (found.governs, found.dof, found.obstacle) == ("approximation", pytest.approx(24), "")
    assert found.approximate_power == pytest.approx(SURE)
    assert abs(found.simulated_power - SURE) < 4 * found.standard_error


def test_several_levels_need_what_a_general_library_says():
    # Largest difference with the third level halfway: the standard deviation of the level means is effect / sqrt(6).
    study, runs = one_stratum([{"name": "bed_surface", "levels": ["glass", "steel", "sheet"]}], replicates=6)
    wanted = FTestAnovaPower().solve_power(nobs=18, alpha=0.05, power=SURE, k_groups=3) * math.sqrt(6)
    assert detectable(study, runs)[0].effect == pytest.approx(wanted, rel=1e-5)


def test_two_levels_and_a_range_are_judged_alike():
    study, runs = one_stratum(
        [numeric("nozzle_temperature", 255, 285, 1), {"name": "bed_surface", "levels": ["glass", "sheet"]}],
        replicates=4,
    )
    temperature, surface = detectable(study, runs)
    assert surface.effect == pytest.approx(temperature.effect, rel=1e-9)


def test_of_several_levels_the_two_least_precise_are_shown():
    levels = ["glass", "steel", "sheet"]
    study, runs = one_stratum([{"name": "bed_surface", "levels": levels}], replicates=6)
    fewer = runs.drop(runs.index[runs["target.bed_surface"] == "sheet"][2:])
    assert detectable(study, fewer)[0].effect > detectable(study, runs)[0].effect
    reordered = make_study(
        factors=[{"name": "bed_surface", "levels": levels[::-1]}], printers=[], budget={}, model={"terms": "main"}
    )
    assert detectable(reordered, fewer)[0].effect == pytest.approx(detectable(study, fewer)[0].effect, rel=1e-9)


@pytest.mark.parametrize(
    ("centre", "loads", "load_power", "print_power"),
    [(0, 4, 0.00, 0.81), (6, 6, 0.24, 0.83), (12, 9, 0.37, 0.83)],
    ids=["24/4", "30/6", "36/9"],
)
def test_central_composite_plans_find_what_another_simulation_did(centre, loads, load_power, print_power):
    # Power for 2 sd of the load factor and 1.5 sd of the others, simulated before this code was written.
    study, runs = faces(centre, loads)
    assert len(runs) == 24 + centre
    plan, assumed = share_plan(*check.matrix(study, runs)), Assumptions()
    effects = [power._effect(study, index, plan, assumed) for index in range(4)]
    *within, between = simulated_power(plan, effects, assumed, 4000)
    assert power_at(between, 2.0).power == pytest.approx(load_power, abs=0.03)
    for one in within:
        assert power_at(one, 1.5).power == pytest.approx(print_power, abs=0.03)


def test_a_load_factor_is_judged_against_the_loads():
    study, runs = faces(6, 6)
    small, large = (by_name(detectable(study, runs, Assumptions(ratio=ratio))) for ratio in (0.5, 4.0))
    assert large["drying_time"].effect > 1.5 * small["drying_time"].effect > small["nozzle_temperature"].effect
    assert large["nozzle_temperature"].effect == pytest.approx(small["nozzle_temperature"].effect, rel=0.05)
    assert large["drying_time"].dof < 4 < large["nozzle_temperature"].dof
    assert (runs["load"].nunique(), check.strata(study, runs).load_dof) == (6, 3)


def test_where_the_approximation_is_off_the_simulation_is_shown():
    # 30 prints in 5 loads, two load error degrees of freedom, loads that do not vary: far from what is approximated.
    study, runs = faces(6, 5)
    found = by_name(detectable(study, runs, Assumptions(ratio=0.0)))
    between, within = found["drying_time"], found["nozzle_temperature"]
    assert (between.governs, within.governs) == ("simulation", "approximation")
    assert between.simulated_power == pytest.approx(SURE, abs=0.001)
    assert abs(between.approximate_power - between.simulated_power) > 0.03
    assert within.approximate_power == pytest.approx(SURE, abs=1e-9)
    assert abs(within.simulated_power - SURE) < 0.03


def test_one_load_error_degree_of_freedom_finds_nothing_between_loads():
    study, runs = faces(0, 4)
    found = by_name(detectable(study, runs))
    between = found["drying_time"]
    assert check.strata(study, runs).load_dof == 1
    assert (between.effect, between.simulated_power, between.governs) == (None, None, "neither")
    assert between.obstacle == "no effect up to 14 standard deviations is found with a probability of 0.8"
    assert found["z_offset"].effect < 2


def test_without_load_error_only_the_load_factor_is_without_an_answer():
    study, runs = faces(6, 6)
    runs = runs.assign(load=runs["target.drying_time"].map({4.0: "L1", 8.0: "L2", 12.0: "L3"}))
    found = by_name(detectable(study, runs))
    assert found["drying_time"].obstacle == "no load error degree of freedom is left to judge it by"
    assert all(one.effect is not None for name, one in found.items() if name != "drying_time")


def test_what_cannot_be_fitted_has_no_answer():
    study, runs = one_stratum([numeric("a", 0, 2, 1), numeric("b", 0, 2, 1)], replicates=1, terms="interactions")
    assert {one.obstacle for one in detectable(study, runs)} == {
        "no error degree of freedom is left for the prints, so no standard error can be estimated"
    }
    same = runs.assign(**{"target.b": runs["target.a"]})
    assert {one.obstacle for one in detectable(study, same)} == {
        "the plan cannot tell all terms of the declared model apart"
    }


def test_a_factor_outside_the_model_has_no_answer():
    study = make_study(printers=[], budget={}, model={"terms": ["nozzle_temperature", "drying_time"]})
    runs = plan_runs(study, PlanRequest(kind="factorial", loads=6, seed=1)).runs
    found = by_name(detectable(study, runs))
    assert found["z_offset"].obstacle == "the declared model does not have it"
    assert found["nozzle_temperature"].effect is not None


def test_prints_of_a_pilot_and_of_a_confirmation_do_not_count():
    study, runs = faces(6, 6)
    found = detectable(study, runs)
    pilot = runs.head(4).assign(round=0, load="L0")
    assert detectable(study, pd.concat([pilot, runs], ignore_index=True)) == found
    confirmation = runs.head(6).assign(round=2, kind="confirmation", load=[f"C{i}" for i in range(6)])
    assert detectable(study, pd.concat([runs, confirmation], ignore_index=True)) == found
    assert detectable(study, pilot) == ()


def test_the_studys_confidence_is_the_level_of_the_test():
    header = {"id": "clip", "title": "Snap clip", "material": "invented", "family": "PA-CF", "confidence": 0.9}
    study, runs = faces(6, 6)
    lenient = make_study(printers=[], budget={}, study=header)
    assert detectable(lenient, runs) == detectable(study, runs, Assumptions(level=1 - 0.9))
    assert detectable(lenient, runs)[0].effect < detectable(study, runs)[0].effect
    assert detectable(study, runs) == detectable(study, runs, Assumptions(level=1 - 0.95))


def test_printers_take_their_degrees_of_freedom():
    study = make_study(budget={"loads": 6})
    runs = plan_runs(study, PlanRequest(kind="central-composite", centre=6, seed=1)).runs
    without = make_study(budget={"loads": 6}, printers=[])
    alone = detectable(without, runs.assign(printer=""))[0]
    assert detectable(study, runs)[0].dof < alone.dof - 0.5


def test_results_are_plain_values():
    study, runs = faces(0, 4)
    again = json.loads(json.dumps([asdict(one) for one in detectable(study, runs)], allow_nan=False))
    assert [one["factor"] for one in again] == [factor.name for factor in study.factors]


def test_another_seed_gives_another_simulation_of_the_same_power():
    study, runs = faces(6, 6)
    one, other = (detectable(study, runs, seed=seed) for seed in (1, 2))
    for first, second in zip(one, other, strict=True):
        assert first.effect == pytest.approx(second.effect, rel=0.05)
        assert first.simulated_power != second.simulated_power
        assert np.hypot(first.standard_error, second.standard_error) == pytest.approx(0.008, abs=0.0005)


def test_it_is_quick_enough_to_run_with_every_plan():
    study, runs = faces(6, 6)
    start = time.perf_counter()
    detectable(study, runs)
    assert time.perf_counter() - start < 1.5
