"""Declared covariates are in the model, per unit and at their mean; others are only checked."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model import covariate_checks, covariates, structure
from doe.model.data import response_data, without
from doe.model.results import as_data
from doe.numerics import reml
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.records import simulated

HUMIDITY = {"name": "humidity", "unit": "%"}
BATCH = {"name": "spool_age", "unit": "h", "per": "load"}
DAY = {"name": "tested_on", "kind": "date"}


def made(*declared, loads=8, **changes):
    factors = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]
    study = make_study(
        factors=factors,
        model={"terms": "interactions"},
        printers=[],
        budget={"loads": loads},
        covariates=declared,
        **changes,
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    return study, design, simulated(study, design)


def noted(record, name="humidity", values=None, slope=0.0):
    """Return the record with a covariate per print written down, which every coupon of the print drifts with."""
    values = np.random.default_rng(5).normal(45, 6, len(record.prints)) if values is None else np.asarray(values)
    prints = record.prints.assign(**{f"covariate.{name}": values})
    drift = dict(zip(prints["print"], np.nan_to_num(slope * values if slope else np.zeros(len(values))), strict=True))
    coupons = record.coupons.assign(z_strength=record.coupons["z_strength"] + record.coupons["print"].map(drift))
    return replace(record, prints=prints, coupons=coupons)


def noted_loads(study, design, record, values):
    names = list(dict.fromkeys(design.runs["load"]))
    return replace(record, loads=pd.DataFrame({"load": names, "covariate.spool_age": values[: len(names)]}))


def data_of(study, design, record):
    return response_data(study, design, record, study.responses[0], scale.model_terms(study))


def found_of(study, design, record, declared=None):
    data = data_of(study, design, record)
    found = covariates.covariate_columns(study, design, record, data, declared)
    return found, covariates.with_columns(data, found)


def names_of(found):
    return [one.name for one in found.verdicts]


def test_a_study_without_covariates_is_fitted_as_before():
    case = made()
    found, data = found_of(*case)
    assert found.columns == () and found.checked == () and found.verdicts == ()
    np.testing.assert_array_equal(data.X, data_of(*case).X)


def test_a_declared_covariate_is_a_centred_column_in_halves_of_its_range():
    study, design, record = made(HUMIDITY)
    record = noted(record)
    _, data = found_of(study, design, record)
    values = record.prints.set_index("print").loc[list(data.names), "covariate.humidity"].to_numpy()
    column = data.X[:, -1]
    np.testing.assert_allclose(column * (values.max() - values.min()) / 2 + values.mean(), values, rtol=1e-12)
    assert abs(column.mean()) < 1e-12 and np.ptp(column) == pytest.approx(2)
    assert data.labels[-1] == "humidity" and data.blocks == data_of(study, design, record).blocks + 1


def test_predictions_hold_at_the_mean_and_coefficients_are_per_unit():
    study, design, record = made(HUMIDITY)
    record = noted(record, slope=0.3)
    found, data = found_of(study, design, record)
    assert not data.rows(data.coded[:3])[:, -1].any()
    fit = structure.mixed_or_trouble(data, structure.strata(data)).fit
    judged = [
        Row(label, value, value - 1, value + 1, 0.5) for label, value in zip(data.labels, fit.estimates, strict=True)
    ]
    (effect,) = covariate_checks.covariate_effects(found, judged)
    # the same model with the covariate as it was written: the coefficient per unit cannot depend on the coding
    plain = data_of(study, design, record)
    values = record.prints.set_index("print").loc[list(plain.names), "covariate.humidity"].to_numpy()
    rows = plain.of_print
    direct = reml.fit_reml(
        plain.values,
        np.column_stack([plain.X, values])[rows],
        structure.groups(plain, rows, structure.strata(data).random),
    )
    assert effect.estimate == pytest.approx(direct.estimates[-1], rel=1e-6)
    half = (values.max() - values.min()) / 2
    assert (effect.high - effect.low) * half == pytest.approx(2)


class Row:
    def __init__(self, label, estimate, low, high, p_value):
        self.label, self.estimate, self.low, self.high, self.p_value = label, estimate, low, high, p_value


def test_a_date_counts_in_days_from_the_first():
    study, design, record = made(DAY)
    days = [f"2026-03-{1 + place:02d}" for place in range(len(record.prints))]
    found, _ = found_of(study, design, replace(record, prints=record.prints.assign(**{"covariate.tested_on": days})))
    (column,) = found.columns
    assert (column.since, column.low, column.high, column.unit) == ("2026-03-01", 0, len(days) - 1, "days")
    assert column.mean == pytest.approx((len(days) - 1) / 2)


def test_a_covariate_of_loads_is_constant_in_each():
    study, design, record = made(BATCH)
    record = noted_loads(study, design, record, [1.0, 5, 2, 8, 4, 3, 9, 6])
    _, data = found_of(study, design, record)
    assert structure.varies_between_loads(data)[-1]
    assert structure.strata(data).load_dof == structure.strata(data_of(study, design, record)).load_dof - 1


def test_a_few_missing_values_have_the_mean_and_are_told():
    study, design, record = made(HUMIDITY)
    values = np.random.default_rng(5).normal(45, 6, len(record.prints))
    values[3] = np.nan
    found, data = found_of(study, design, noted(record, values=values))
    assert data.X[data.names.index(record.prints["print"][3]), -1] == 0
    assert names_of(found) == ["covariate values missing"]
    assert f"for 1 of {len(values)} prints" in found.verdicts[0].cause
    assert found.columns[0].mean == pytest.approx(np.nanmean(values))


def test_many_missing_values_leave_it_out_of_the_model_and_in_the_checks():
    study, design, record = made(HUMIDITY)
    values = np.random.default_rng(5).normal(45, 6, len(record.prints))
    values[:3] = np.nan
    found, _ = found_of(study, design, noted(record, values=values))
    assert names_of(found) == ["covariate not fitted for want of values"] and found.columns == ()
    assert [one.name for one in found.checked] == ["humidity"]


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        (lambda design: np.full(len(design.runs), 45.0), "covariate did not vary"),
        (lambda design: design.runs["set.nozzle_temperature"] / 10, "covariate not told apart from the model"),
        (lambda design: np.full(len(design.runs), np.nan), "covariate not fitted for want of values"),
    ],
)
def test_what_cannot_be_fitted_is_left_out(values, verdict):
    study, design, record = made(HUMIDITY)
    found, data = found_of(study, design, noted(record, values=values(design)))
    assert names_of(found) == [verdict] and found.columns == () and "humidity" not in data.labels


def test_the_last_load_that_shows_how_loads_differ_is_not_given_to_a_covariate():
    study, design, record = made(BATCH, loads=3)
    found, _ = found_of(study, design, noted_loads(study, design, record, [1.0, 5, 2.5]))
    assert names_of(found) == ["no spare prints for the covariate"] and "last drying load" in found.verdicts[0].cause


def test_a_covariate_that_leaves_few_loads_is_told():
    study, design, record = made(BATCH, loads=5)
    found, _ = found_of(study, design, noted_loads(study, design, record, [1.0, 5, 2.5, 3.1, 7]))
    assert "covariate leaves few loads" in names_of(found)
    assert "leaves 2 instead of 3 degrees" in found.verdicts[0].cause


def test_a_covariate_that_the_settings_move_is_told():
    study, design, record = made(HUMIDITY)
    scatter = np.random.default_rng(2).normal(0, 2, len(design.runs))
    found, _ = found_of(study, design, noted(record, values=design.runs["set.nozzle_temperature"].to_numpy() + scatter))
    assert names_of(found) == ["covariate follows the settings"] and len(found.columns) == 1


def test_the_test_of_settings_is_the_f_of_two_least_squares_fits():
    study, design, record = made(HUMIDITY)
    data = data_of(study, design, record)
    values = np.random.default_rng(9).normal(0, 1, len(data.names))
    loads = pd.get_dummies(pd.Series(data.load)).to_numpy(dtype=float)
    full = np.hstack([loads, data.X])
    # drying_time is constant within loads, so nozzle_temperature and the product are tested
    rest = [float(((values - m @ np.linalg.pinv(m) @ values) ** 2).sum()) for m in (loads, full)]
    q, dof = np.linalg.matrix_rank(full) - loads.shape[1], len(values) - np.linalg.matrix_rank(full)
    expected = stats.f.sf((rest[0] - rest[1]) / q / (rest[1] / dof), q, dof)
    assert q == 2 and covariates.settings_p(data, values) == pytest.approx(expected, rel=1e-9)


def test_one_that_was_declared_late_is_checked_and_not_fitted():
    study, design, record = made(HUMIDITY)
    found, data = found_of(study, design, noted(record, slope=0.5), declared=())
    assert found.columns == () and names_of(found) == ["covariate declared after the data"]
    values = covariates.observed(study, design, noted(record, slope=0.5), data.names)
    result = covariate_checks.response_covariates(study, data, found, values, ())
    (verdict,) = covariate_checks.check_verdicts(result)
    assert verdict.name == "covariate tells" and "MPa per %" in verdict.cause and verdict.about == "z_strength"


def test_one_that_is_only_recorded_is_checked_without_a_word_on_its_declaration():
    study, design, record = made({**HUMIDITY, "fit": False})
    found, data = found_of(study, design, noted(record))
    assert [one.name for one in found.checked] == ["humidity"] and found.verdicts == ()
    values = covariates.observed(study, design, noted(record), data.names)
    result = covariate_checks.response_covariates(study, data, found, values, ())
    assert result.checks[0].p is not None and list(covariate_checks.check_verdicts(result)) == []


def test_a_check_is_the_test_of_its_coefficient_in_the_wider_model():
    study, design, record = made(HUMIDITY)
    record = noted(record, slope=0.2)
    data = data_of(study, design, record)
    values = covariates.observed(study, design, record, data.names)["humidity"]
    check = covariate_checks.check_covariate(data, study.covariates[0], values, checks=3)
    rows = data.of_print
    fit = reml.fit_reml(
        data.values, np.column_stack([data.X, values])[rows], structure.groups(data, rows, ("load", "print"))
    )
    test = reml.f_test(fit, np.eye(data.X.shape[1] + 1)[-1:])
    assert check.slope == pytest.approx(fit.estimates[-1], rel=1e-6)
    assert check.p == pytest.approx(test.p, rel=1e-4)
    assert check.adjusted_p == pytest.approx(min(1, 3 * check.p))


def test_a_check_uses_only_the_prints_that_have_the_covariate():
    study, design, record = made(HUMIDITY)
    record = noted(record)
    data = data_of(study, design, record)
    values = covariates.observed(study, design, record, data.names)["humidity"]
    values[:4] = np.nan
    whole = covariate_checks.check_covariate(data, study.covariates[0], values)
    left = covariate_checks.check_covariate(without(data, data.of_print < 4), study.covariates[0], values[4:])
    assert whole == left and whole.prints == len(data.names) - 4


@pytest.mark.parametrize(
    ("values", "reason"),
    [(np.nan, "it was not written down"), (45.0, "it was the same at every print")],
)
def test_why_there_is_no_test_is_said(values, reason):
    study, design, record = made(HUMIDITY)
    data = data_of(study, design, record)
    check = covariate_checks.check_covariate(data, study.covariates[0], np.full(len(data.names), values))
    assert check.reason == reason and check.p is None and not check.tells


def test_few_loads_leave_a_covariate_of_loads_untested():
    study, design, record = made({**BATCH, "fit": False}, loads=4)
    record = noted_loads(study, design, record, [1.0, 5, 2.5, 7])
    data = data_of(study, design, record)
    check = covariate_checks.check_covariate(
        data, study.covariates[0], covariates.observed(study, design, record, data.names)["spool_age"]
    )
    assert check.reason.startswith("it changes from load to load")


def test_results_become_plain_data():
    study, design, record = made(HUMIDITY, {**BATCH, "fit": False})
    record = noted(noted_loads(study, design, record, [1.0, 5, 2, 8, 4, 3, 9, 6]))
    found, data = found_of(study, design, record)
    values = covariates.observed(study, design, record, data.names)
    rows = [Row(label, 1.0, None, None, None) for label in data.labels]
    plain = as_data(covariate_checks.response_covariates(study, data, found, values, rows))
    assert plain["effects"][0]["column"]["name"] == "humidity" and plain["effects"][0]["low"] is None
    assert plain["checks"][0]["covariate"] == "spool_age"
