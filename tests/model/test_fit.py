"""The fit as a stage: which values count, which stratum judges what, and what is said when data cannot support an answer."""

import json
from dataclasses import replace

import numpy as np
import pytest

from doe.design.adopt import adopt
from doe.design.plan import plan_runs
from doe.design.read import read_table
from doe.design.request import PlanRequest
from doe.model.fit import fit_model
from doe.model.measured import predicted_mean
from doe.model.request import FitRequest
from doe.model.results import as_data
from tests.conftest import make_study, numeric
from tests.records import simulated

TWO = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]


@pytest.fixture
def case():
    study = make_study(factors=TWO, model={"terms": "interactions"}, printers=[], budget={"loads": 8})
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    return study, design, simulated(study, design)


def fit_of(study, design, record, **more):
    fit, fitted = fit_model(study, design, record, **more)
    return fit, fitted, {one.label: one for one in fit.responses[0].coefficients} if fit.responses else {}


def names(verdicts):
    return {verdict.name for verdict in verdicts}


def test_each_coefficient_is_judged_in_its_own_stratum(case):
    fit, _, by_label = fit_of(*case)
    assert fit.responses[0].method == "REML, Kenward-Roger"
    assert [one.name for one in fit.responses[0].components] == ["load", "print", "residual"]
    assert {label: one.changes for label, one in by_label.items()} == {
        "intercept": "load",
        "nozzle_temperature": "print",
        "drying_time": "load",
        "nozzle_temperature * drying_time": "print",
    }
    assert by_label["drying_time"].dof < 8 < by_label["nozzle_temperature"].dof


def test_coupons_are_not_replicates(case):
    study, design, record = case
    _, _, before = fit_of(study, design, record)
    # Every coupon ten times over: as replicates they would shrink each standard error to a third.
    copies = record.coupons.loc[np.repeat(record.coupons.index, 10)].reset_index(drop=True)
    fit, _, after = fit_of(study, design, replace(record, coupons=copies))
    assert fit.responses[0].values == 10 * len(record.coupons)
    for label, one in before.items():
        assert after[label].estimate == pytest.approx(one.estimate, abs=1e-9)
        assert after[label].se == pytest.approx(one.se, rel=0.02)


def test_a_failed_print_is_listed_and_counted_not_typed_in_as_zero(case):
    study, design, record = case
    prints, coupons = record.prints.copy(), record.coupons.copy()
    victim = prints["print"][3]
    prints.loc[3, "outcome"] = "detached"
    mine = coupons["print"] == victim
    coupons.loc[mine, "outcome"], coupons.loc[mine, "z_strength"] = "detached", np.nan
    fit, fitted, _ = fit_of(study, design, replace(record, prints=prints, coupons=coupons))
    assert victim not in fitted[0].data.names
    assert {what for what, why in fit.responses[0].excluded if why == "detached"} == set(coupons.loc[mine, "coupon"])
    assert fit.completion.outcomes["detached"] == 1
    assert fit.completion.failures[0]["print"] == victim
    assert "failed prints" in names(fit.verdicts)


def test_an_off_plan_print_counts_at_the_setting_it_had(case):
    study, design, record = case
    prints = record.prints.copy()
    prints.loc[0, ["deviation", "used.nozzle_temperature"]] = ["off plan", 277.5]
    _, fitted, _ = fit_of(study, design, replace(record, prints=prints))
    assert fitted[0].data.coded[0, 0] == pytest.approx((277.5 - 270) / 15)


def test_actual_settings_come_from_the_printers_checks():
    checks = [{"factor": "nozzle_temperature", "set": [250, 290], "actual": [244.4, 284.4]}]
    study = make_study(
        factors=TWO, printers=[{"name": "A", "checks": checks}], model={"terms": "main"}, budget={"loads": 8}
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    _, fitted, _ = fit_of(study, design, simulated(study, design))
    # Targets 255, 270, 285 need 260.6, 275.6, 290.6; the increment makes them 261, 276, 291, which reach 255.4 and so on.
    assert set(np.round(fitted[0].data.coded[:, 0] * 15 + 270, 9)) == {255.4, 270.4, 285.4}


def test_lost_prints_leave_the_rest_to_be_fitted(case):
    study, design, record = case
    prints, coupons = record.prints.copy(), record.coupons.copy()
    prints.loc[[1, 2], "outcome"] = "lost"
    coupons.loc[coupons["print"].isin(prints["print"][[1, 2]]), "z_strength"] = np.nan
    fit, fitted, _ = fit_of(study, design, replace(record, prints=prints, coupons=coupons))
    assert len(fitted[0].data.names) == len(prints) - 2
    assert "failed prints" not in names(fit.verdicts)


def test_one_load_per_drying_level_gives_no_interval_for_the_drying_factor():
    study = make_study(factors=TWO, model={"terms": "main"}, printers=[], budget={})
    rows = "".join(f"{n},{d},{d}\n" for d in (4, 12) for n in (255, 285, 255, 285))
    design = adopt(study, read_table(f"nozzle_temperature,drying_time,load\n{rows}".encode(), "p.csv"), "p.csv")
    fit, _, by_label = fit_of(study, design, simulated(study, design))
    assert by_label["drying_time"].se is None and by_label["intercept"].low is None
    assert by_label["nozzle_temperature"].se > 0
    (said,) = (one for one in fit.responses[0].verdicts if one.name == "no load error degree of freedom")
    assert said.cause == "2 loads are all used up by what changes only with the load (intercept and drying time)"
    assert said.next_step.startswith("print more loads at the same levels: until then")


def test_loads_that_tell_what_the_prints_within_them_do_not_are_named_as_used_up_by_it():
    # Nozzle and bed go up together within every load, so that only loads 1 and 3 against each other tell the two apart.
    three = [*TWO, numeric("bed_temperature", 60, 80, 1)]
    study = make_study(factors=three, model={"terms": "main"}, printers=[], budget={})
    together, apart = ((255, 60), (270, 70), (285, 80)), ((255, 70), (270, 80))
    loads = ((4, 1, together), (12, 2, together), (12, 3, apart))
    rows = "".join(f"{n},{b},{d},{load}\n" for d, load, pairs in loads for n, b in pairs)
    table = f"nozzle_temperature,bed_temperature,drying_time,load\n{rows}"
    design = adopt(study, read_table(table.encode(), "p.csv"), "p.csv")
    fit, (fitted,), _ = fit_of(study, design, simulated(study, design))
    assert (fitted.load_dof, fitted.print_dof) == (0, 4)
    (said,) = (one for one in fit.responses[0].verdicts if one.name == "no load error degree of freedom")
    assert said.cause == (
        "3 loads are all used up: 2 by what changes only with the load (intercept and drying time), and 1 to tell apart what the "
        "prints within loads do not (nozzle temperature and bed temperature)"
    )
    assert "put more different settings into each load" in said.next_step


def test_a_saturated_plan_gives_estimates_only():
    study = make_study(
        factors=[*TWO[:1], numeric("bed_temperature", 60, 80, 1)],
        model={"terms": "interactions"},
        printers=[],
        budget={},
    )
    design = plan_runs(study, PlanRequest(kind="factorial", centre=0, seed=1))
    fit, fitted, _ = fit_of(study, design, simulated(study, design))
    assert fit.responses[0].method == "estimates only"
    assert all(one.se is None for one in fit.responses[0].coefficients)
    assert "no error degree of freedom" in names(fit.responses[0].verdicts)
    assert fitted[0].mixed is None
    json.dumps(as_data(fit), allow_nan=False)


@pytest.mark.parametrize("same", ["within prints", "everywhere"])
def test_values_without_variation_are_said_to_have_none(case, same):
    study, design, record = case
    coupons = record.coupons.copy()
    means = coupons.groupby("print")["z_strength"].transform("mean")
    coupons["z_strength"] = means if same == "within prints" else 25.0
    fit, _, by_label = fit_of(study, design, replace(record, coupons=coupons))
    if same == "within prints":
        assert [one.name for one in fit.responses[0].components] == ["load", "residual"]
        assert by_label["drying_time"].se > 0
    else:
        assert "no variation" in names(fit.responses[0].verdicts)
        assert by_label["intercept"].estimate == pytest.approx(25.0)


def test_no_values_yet_is_a_verdict(case):
    study, design, record = case
    empty = record.coupons.assign(z_strength=np.nan)
    fit, fitted, _ = fit_of(study, design, replace(record, coupons=empty))
    assert fitted == ()
    assert "no values" in names(fit.verdicts)


def test_too_few_prints_for_the_model_name_what_is_missing(case):
    study, design, record = case
    few = record.coupons[record.coupons["print"].isin(record.prints["print"][:3])]
    fit, _, _ = fit_of(study, design, replace(record, coupons=few))
    (verdict,) = [one for one in fit.verdicts if one.name == "model not estimable"]
    assert "3 prints gave values, and the model has 4 coefficients" in verdict.cause


def test_another_model_is_labelled_exploratory(case):
    fit, _, by_label = fit_of(*case, request=FitRequest(["nozzle_temperature"]))
    assert fit.exploratory
    assert set(by_label) == {"intercept", "nozzle_temperature"}


def test_curvature_is_estimated_from_centre_prints():
    study = make_study(
        factors=[*TWO[:1], numeric("bed_temperature", 60, 80, 1)],
        model={"terms": "interactions"},
        printers=[],
        budget={},
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=3, centre=6, seed=1))
    record = simulated(study, design, load_sd=0, mean=lambda x: 30.0 - 4.0 * x[0] ** 2)
    fit, _, _ = fit_of(study, design, record)
    found = fit.responses[0].curvature
    assert found["estimate"] == pytest.approx(4.0, abs=4 * found["se"])
    assert "curvature" in names(fit.responses[0].verdicts)


def test_a_logarithmic_response_is_predicted_back_in_its_unit():
    study = make_study(
        factors=TWO,
        model={"terms": "main"},
        printers=[],
        budget={"loads": 8},
        responses=[{"name": "peel", "unit": "N/mm", "coupons": 3, "at_least": 1.0, "transform": "log"}],
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    record = simulated(study, design, load_sd=0.01, print_sd=0.01, coupon_sd=0.01, mean=lambda x: 0.0)
    record = replace(record, coupons=record.coupons.assign(peel=np.exp(record.coupons["peel"] + 1.0)))
    _, fitted, _ = fit_of(study, design, record)
    settings = {"nozzle_temperature": np.array([270.0]), "drying_time": np.array([8.0])}
    assert predicted_mean(study, fitted[0], settings)[0] == pytest.approx(np.exp(1.0), rel=0.02)


def test_grades_are_counted_per_setting(case):
    study, design, record = case
    graded = {"name": "bed_grade", "kind": "graded", "grades": [0, 1, 2, 3, 4, 5], "per": "print", "at_least": 4}
    study = make_study(factors=TWO, model={"terms": "interactions"}, printers=[], responses=[graded])
    prints = record.prints.assign(bed_grade=[5.0, 3.0] * (len(record.prints) // 2))
    fit, _ = fit_model(study, design, replace(record, prints=prints))
    (summary,) = fit.summaries
    assert sum(row["values"] for row in summary.rows) == len(prints)
    assert sum(row["meets"] for row in summary.rows) == len(prints) // 2
    assert "not modelled" not in names(fit.verdicts)
    assert fit.judged[0].response == "bed_grade"


def test_printers_are_fixed_effects_that_sum_to_zero():
    study = make_study(factors=TWO, model={"terms": "main"}, budget={"loads": 8})
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    record = simulated(study, design, load_sd=0.01, print_sd=0.01, coupon_sd=0.01)
    shift = record.coupons["print"].map(
        dict(zip(design.runs["print"], design.runs["printer"].map({"A": 1.0, "B": -1.0}), strict=True))
    )
    record = replace(record, coupons=record.coupons.assign(z_strength=record.coupons["z_strength"] + shift))
    _, fitted, by_label = fit_of(study, design, record)
    first = fitted[0].data.printers[0]
    assert by_label[f"printer {first}"].estimate == pytest.approx(1.0 if first == "A" else -1.0, abs=0.05)
    rows = [fitted[0].data.rows(np.zeros((1, 2)), printer) @ fitted[0].estimates for printer in (0, 1, None)]
    assert (rows[0] + rows[1]) / 2 == pytest.approx(rows[2])


def test_coupons_of_other_responses_are_not_called_left_out(case):
    _, design, record = case
    few = make_study(
        factors=TWO, model={"terms": "interactions"}, printers=[], budget={"loads": 8},
        responses=[{"name": "z_strength", "unit": "MPa", "coupons": 2, "at_least": 25.0}],
    )  # fmt: skip
    prints, coupons = record.prints.copy(), record.coupons.copy()
    prints.loc[0, "outcome"] = "detached"
    coupons.loc[coupons["print"] == prints["print"][0], "z_strength"] = np.nan
    coupons.loc[coupons["number"] > 2, "z_strength"] = np.nan
    fit, _, _ = fit_of(few, design, replace(record, prints=prints, coupons=coupons))
    assert len(fit.responses[0].excluded) == 2


def test_pure_error_follows_the_plans_cells_whatever_the_printers_reach():
    checks = [{"factor": "nozzle_temperature", "set": [250, 290], "actual": [244.4, 284.4]}]
    study = make_study(
        factors=[*TWO[:1], numeric("bed_temperature", 60, 80, 1)], model={"terms": "main"}, budget={},
        printers=[{"name": "A", "checks": checks}, {"name": "B"}],
    )  # fmt: skip
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=3, centre=3, seed=1))
    fit, fitted, _ = fit_of(study, design, simulated(study, design, load_sd=0))
    # Cells hold prints of both printers, which reach 255.4 and 255: 5 cells and one printer column leave 15 - 6 = 9.
    assert np.ptp(fitted[0].data.coded[fitted[0].data.cell == fitted[0].data.cell[0], 0]) > 0
    assert (fit.responses[0].lack_of_fit["df_lof"], fit.responses[0].lack_of_fit["df_pe"]) == (2, 9)


def test_lack_of_fit_is_judged_within_loads(case):
    study, design, record = case
    main = ["nozzle_temperature", "drying_time"]
    before = fit_of(study, design, record, request=FitRequest(main))[0].responses[0].lack_of_fit
    extra = {name: 7.0 * float(load[1:3]) for name, load in zip(design.runs["print"], design.runs["load"], strict=True)}
    values = record.coupons["z_strength"] + record.coupons["print"].map(extra)
    moved = replace(record, coupons=record.coupons.assign(z_strength=values))
    after = fit_of(study, design, moved, request=FitRequest(main))[0].responses[0].lack_of_fit
    assert before["df_lof"] == 1
    assert after == pytest.approx(before, rel=1e-6)


def test_a_grade_typed_in_for_a_failed_print_is_counted_nowhere(case):
    study, design, record = case
    grades = {"name": "bed_grade", "kind": "graded", "grades": [0, 1, 2, 3, 4, 5], "per": "print", "at_least": 4}
    study = make_study(
        factors=TWO, model={"terms": "main"}, printers=[], responses=[study.responses[0].model_dump(), grades]
    )
    prints = record.prints.assign(bed_grade=5.0)
    prints.loc[3, ["outcome", "bed_grade"]] = ["detached", 0.0]
    fit, _ = fit_model(study, design, replace(record, prints=prints))
    assert sum(row["values"] for row in fit.summaries[0].rows) == fit.judged[0].values == len(prints) - 1
    assert all("0" not in row["counts"] for row in fit.summaries[0].rows)


def test_passes_are_counted_as_passes(case):
    study, design, record = case
    tight = {"name": "tight", "kind": "pass_fail", "per": "print"}
    study = make_study(factors=TWO, model={"terms": "main"}, printers=[], responses=[study.responses[0].model_dump(), tight])
    prints = record.prints.assign(tight=np.where(np.arange(len(record.prints)) % 3 == 0, "fail", "pass"))
    rows = fit_model(study, design, replace(record, prints=prints))[0].summaries[0].rows
    passed = (prints["tight"] == "pass").sum()
    assert sum(row["meets"] for row in rows) == sum(row["counts"].get("pass", 0) for row in rows) == passed
