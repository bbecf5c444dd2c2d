"""Values that are only limits: what each outcome says, and that the fit believes it."""

from dataclasses import replace

import numpy as np
import pytest

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.data import response_data
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics.censored import fit_censored
from doe.numerics.reml import contrast
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.records import simulated

TWO = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]


def case(**response):
    study = make_study(
        factors=TWO,
        model={"terms": "interactions"},
        printers=[],
        budget={"loads": 8},
        responses=[{"name": "z_strength", "unit": "MPa", "coupons": 3, "at_least": 25.0, **response}],
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    return study, design, simulated(study, design, coupon_sd=0.6)


def with_outcomes(record, rows, outcome, value=None):
    coupons = record.coupons.copy()
    coupons.loc[rows, "outcome"] = outcome
    if value is not None:
        coupons.loc[rows, "z_strength"] = value
    return replace(record, coupons=coupons)


def only(fit):
    return fit.responses[0]


def names(fit):
    return {one.name for one in only(fit).verdicts}


def test_a_break_in_the_grips_is_a_lower_limit_and_the_fit_is_that_of_limits():
    study, design, record = case()
    record = with_outcomes(record, [5, 17], "broke in grips")
    fit, fitted = fit_model(study, design, record)
    found = only(fit)
    assert (found.limits.at_least, found.limits.at_most, found.limits.used) == (2, 0, True)
    assert found.limits.items == tuple(record.coupons["coupon"][[5, 17]])
    assert "values that are only limits" in names(fit)
    data = response_data(study, design, record, study.responses[0], scale.model_terms(study), limits=True)
    values = record.coupons["z_strength"].to_numpy()
    upper = np.where(record.coupons["outcome"] == "broke in grips", np.inf, values)
    place = {name: row for row, name in enumerate(data.names)}
    of_print = np.array([place[name] for name in record.coupons["print"]])
    direct = fit_censored(values, upper, data.X[of_print], [data.load[of_print], of_print]).mixed
    assert [one.estimate for one in found.coefficients] == pytest.approx(direct.estimates.tolist(), abs=1e-9)
    assert [one.se for one in found.coefficients] == pytest.approx(contrast(direct, np.eye(4)).se.tolist(), abs=1e-9)
    assert fitted[0].data.weights.min() < 1
    assert found.components[-1].groups == found.values == len(values)  # limits are among the values that the residual is of


def test_a_run_out_pulls_the_slope_up_where_leaving_it_out_flattens_it():
    study, design, record = case()
    truth = record.coupons["z_strength"].to_numpy().copy()
    stopped = np.flatnonzero(truth > np.quantile(truth, 0.7))
    cut = with_outcomes(record, stopped, "no break", np.quantile(truth, 0.7))
    blind = with_outcomes(record, stopped, "lost", np.nan)
    slopes = [only(fit_model(study, design, one)[0]).coefficients[1].estimate for one in (record, cut, blind)]
    assert abs(slopes[1] - slopes[0]) < 0.25 * abs(slopes[2] - slopes[0])


def test_what_broke_in_handling_lies_below_everything_that_was_tested():
    study, design, record = case()
    record = with_outcomes(record, [0, 1], "broke in handling", np.nan)
    data = response_data(study, design, record, study.responses[0], scale.model_terms(study), limits=True)
    lowest = record.coupons["z_strength"].min()
    limits = data.limits
    assert limits.upper[~limits.measured].tolist() == [lowest, lowest]
    assert np.isneginf(limits.lower[~limits.measured]).all()
    fit, _ = fit_model(study, design, record)
    assert (only(fit).limits.at_most, only(fit).limits.used) == (2, True)


@pytest.mark.parametrize(("declared", "counted"), [(True, 3), (False, 0)])
def test_a_detached_print_carries_no_load_only_where_the_study_says_so(declared, counted):
    study, design, record = case(zero_when_detached=declared)
    mine = record.coupons["print"] == record.prints["print"][4]
    record = with_outcomes(record, mine, "detached", np.nan)
    prints = record.prints.copy()
    prints.loc[4, "outcome"] = "detached"
    fit, _ = fit_model(study, design, replace(record, prints=prints))
    assert (only(fit).limits.at_most if only(fit).limits else 0) == counted
    left_out = {why for _, why in only(fit).excluded}
    assert left_out == (set() if declared else {"detached"})


def test_limits_of_a_logarithm_are_logarithms():
    study, design, record = case(transform="log", zero_when_detached=True)
    record = with_outcomes(record, [3], "no break")
    record = with_outcomes(record, [7], "detached", np.nan)
    data = response_data(study, design, record, study.responses[0], scale.model_terms(study), limits=True)
    values = record.coupons["z_strength"].to_numpy()
    assert data.limits.lower[3] == pytest.approx(np.log(values[3]))
    assert np.isposinf(data.limits.upper[3])
    assert data.limits.upper[7] == pytest.approx(np.log(np.nanmin(np.delete(values, 3))))


def test_a_run_out_without_its_value_does_not_count():
    study, design, record = case()
    record = with_outcomes(record, [2], "no break", np.nan)
    fit, _ = fit_model(study, design, record)
    assert only(fit).limits is None
    assert only(fit).excluded == ((record.coupons["coupon"][2], "no break, and no value that it held was recorded"),)


def test_only_limits_are_no_measurement():
    study, design, record = case()
    fit, fitted = fit_model(study, design, with_outcomes(record, record.coupons.index, "no break"))
    assert fitted == ()
    assert [one.name for one in fit.verdicts] == ["only limits"]


def test_limits_that_measured_values_cannot_be_set_beside_are_left_out_and_named():
    study, design, record = case()
    kept = record.coupons.groupby("print").head(1).index
    record = with_outcomes(record, record.coupons.index.difference(kept), "no break")
    record = with_outcomes(record, kept, "completed", 30.0)
    fit, _ = fit_model(study, design, record)
    assert only(fit).limits.used is False
    assert "limits left out" in names(fit)
    assert {one.low for one in only(fit).coefficients} == {None}


def test_limits_cannot_count_where_no_print_has_two_measured_values():
    study, design, record = case()
    record = with_outcomes(record, record.coupons.index[record.coupons["number"] > 1], "broke in grips")
    fit, _ = fit_model(study, design, record, FitRequest(examine=False))
    assert not only(fit).limits.used
    (said,) = (one for one in only(fit).verdicts if one.name == "limits left out")
    assert "no print has two measured values, so that coupons cannot be told from prints" in said.cause
    assert only(fit).values == len(design.runs)
