"""Values in doubt are kept, and the fit without them is shown beside."""

from dataclasses import replace

import numpy as np
import pytest

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.fit import fit_model
from tests.conftest import make_study, numeric
from tests.records import simulated


@pytest.fixture
def case():
    two = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]
    study = make_study(factors=two, model={"terms": "interactions"}, printers=[], budget={"loads": 8})
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    return study, design, simulated(study, design)


def doubt(record, rows, shift=0.0):
    prints, coupons = record.prints.copy(), record.coupons.copy()
    prints.loc[rows, "deviation"] = "suspect"
    mine = coupons["print"].isin(prints["print"][rows])
    coupons.loc[mine, "z_strength"] += shift
    return replace(record, prints=prints, coupons=coupons), mine


def test_no_doubt_no_second_fit(case):
    assert fit_model(*case)[0].responses[0].sensitivity is None


def test_values_in_doubt_count_and_the_fit_without_them_stands_beside(case):
    study, design, record = case
    record, mine = doubt(record, [2])
    result = fit_model(study, design, record)[0].responses[0]
    assert result.values == len(record.coupons)
    assert set(result.sensitivity.items) == set(record.coupons.loc[mine, "coupon"])
    without = replace(record, coupons=record.coupons[~mine].reset_index(drop=True))
    apart = fit_model(study, design, without)[0].responses[0]
    assert [one.without for one in result.sensitivity.shifts] == pytest.approx([one.estimate for one in apart.coefficients])
    assert [one.estimate for one in result.sensitivity.shifts] == [one.estimate for one in result.coefficients]


def test_doubt_that_decides_is_said(case):
    study, design, record = case
    names = {one.name for one in fit_model(study, design, doubt(record, [2])[0])[0].responses[0].verdicts}
    assert "values in doubt decide" not in names
    names = {one.name for one in fit_model(study, design, doubt(record, [2], 30.0)[0])[0].responses[0].verdicts}
    assert "values in doubt decide" in names


def test_doubt_about_what_the_model_needs_is_said(case):
    study, design, record = case
    low = np.flatnonzero(design.runs["target.nozzle_temperature"] == 255)
    found = fit_model(study, design, doubt(record, low)[0])[0].responses[0]
    assert found.sensitivity.shifts == ()
    assert "values in doubt cannot be left out" in {one.name for one in found.verdicts}


def test_beside_limits_the_fit_that_is_reported_is_the_one_compared(case):
    study, design, record = case
    record, _ = doubt(record, [2])
    coupons = record.coupons.copy()
    coupons.loc[[9, 30], "outcome"] = "no break"
    result = fit_model(study, design, replace(record, coupons=coupons))[0].responses[0]
    assert result.limits.used
    assert [one.estimate for one in result.sensitivity.shifts] == [one.estimate for one in result.coefficients]
    kept = coupons[~coupons["print"].isin(record.prints["print"][[2]])].reset_index(drop=True)
    apart = fit_model(study, design, replace(record, coupons=kept))[0].responses[0]
    assert [one.without for one in result.sensitivity.shifts] == pytest.approx([one.estimate for one in apart.coefficients])
