"""Where intervals come from: Kenward and Roger's, and with two load error degrees of freedom or fewer a posterior."""

import itertools

import numpy as np
import pytest

from doe.design.adopt import adopt
from doe.design.plan import plan_runs
from doe.design.read import read_table
from doe.design.request import PlanRequest
from doe.model import inference
from doe.model.data import without
from doe.model.fit import fit_model
from doe.model.limits import shares_said
from doe.model.measured import mean_interval
from doe.model.structure import strata
from doe.numerics import reml
from doe.numerics.intervals import chosen_interval
from doe.numerics.intervals import mean_interval as plain_interval
from doe.numerics.mixture import mixture, mixture_interval
from tests.conftest import make_study, numeric
from tests.records import simulated
from tests.studies import censored_bound

TWO = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]


def case(loads, coupons=3):
    study = make_study(
        factors=TWO,
        model={"terms": "main"},
        printers=[],
        budget={},
        responses=[{"name": "z_strength", "unit": "MPa", "coupons": coupons, "at_least": 25.0}],
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, loads=loads, seed=1))
    record = simulated(study, design)
    fit, fitted = fit_model(study, design, record)
    return study, fit.responses[0], fitted[0]


@pytest.mark.parametrize("coupons", [1, 3])
def test_few_loads_take_the_posterior_for_what_changes_with_the_load_only(coupons):
    _, result, one = case(4, coupons)
    assert one.load_dof == 2
    by_label = {coefficient.label: coefficient for coefficient in result.coefficients}
    assert by_label["drying_time"].basis == by_label["intercept"].basis == inference.POSTERIOR
    assert by_label["nozzle_temperature"].basis == inference.KENWARD_ROGER
    found = mixture(one.data.means, one.data.X, [one.data.load], 2.0)
    expected = mixture_interval(found, np.eye(3)[[2]])[0]
    assert (by_label["drying_time"].low, by_label["drying_time"].high) == pytest.approx(tuple(expected))
    assert "rests on a weak prior" in result.method
    contrast = reml.contrast(one.mixed, np.eye(3)[[2]])  # the degrees of freedom are reported as they are
    assert by_label["drying_time"].dof == pytest.approx(contrast.dof[0])


def test_many_loads_take_kenward_roger_for_everything():
    study, result, one = case(8)
    assert {coefficient.basis for coefficient in result.coefficients} == {inference.KENWARD_ROGER}
    row = np.array([[1.0, 0.0, 0.0]])
    found = reml.contrast(one.mixed, row)
    at_centre = mean_interval(study, one, {"nozzle_temperature": np.array([270.0]), "drying_time": np.array([8.0])})
    assert at_centre[0] == pytest.approx(plain_interval(found.estimates, found.se, found.dof)[0])


@pytest.mark.parametrize("loads", [4, 8])
def test_the_mean_at_a_chosen_setting_has_the_wider_interval(loads):
    _, _, one = case(loads)
    row = np.array([[1.0, 1.0, 1.0]])
    plain, chosen = (made(one.inference, row, 0.95) for made in (inference.means, inference.chosen_means))
    assert chosen.low[0] < plain.low[0] < plain.estimates[0] < plain.high[0] < chosen.high[0]
    if loads == 8:
        found = reml.contrast(one.mixed, row)
        expected = chosen_interval(found.estimates, found.se, found.dof, 3)[0]
        assert (chosen.low[0], chosen.high[0]) == pytest.approx(tuple(expected))


@pytest.mark.parametrize("coupons", [1, 3])
def test_a_new_print_varies_as_load_and_print_and_a_share_of_the_coupons(coupons):
    _, _, one = case(4, coupons)
    row = np.array([[1.0, 0.0, 0.0]])
    found = mixture(one.data.means, one.data.X, [one.data.load], 2.0)
    expected = mixture_interval(found, row, [1.0, 1.0])[0]
    ahead = inference.new_prints(one.inference, row, 0.95)
    assert (ahead.low[0], ahead.high[0]) == pytest.approx(tuple(expected))


@pytest.mark.parametrize("loads", [4, 8])
def test_a_new_print_at_a_chosen_setting_is_no_surer_than_its_mean(loads):
    _, _, one = case(loads)
    row = np.array([[1.0, 1.0, 1.0]])
    mean, plain, chosen = (
        made(one.inference, row, 0.95) for made in (inference.chosen_means, inference.new_prints, inference.chosen_new_prints)
    )
    assert chosen.low[0] < min(mean.low[0], plain.low[0])
    assert chosen.high[0] > max(mean.high[0], plain.high[0])


def test_loads_that_are_used_up_leave_no_interval_of_a_mean():
    study = make_study(factors=TWO, model={"terms": "main"}, printers=[], budget={})
    rows = "".join(f"{n},{d},{d}\n" for d in (4, 12) for n in (255, 285, 255, 285))
    design = adopt(study, read_table(f"nozzle_temperature,drying_time,load\n{rows}".encode(), "p.csv"), "p.csv")
    fit, (one,) = fit_model(study, design, simulated(study, design))
    for made in (inference.means, inference.chosen_means, inference.new_prints, inference.chosen_new_prints):
        found = made(one.inference, np.array([[1.0, 0.0, 0.0]]), 0.95)
        assert np.isnan([found.low[0], found.high[0], found.se[0]]).all()
    assert "nothing is known of the variation from load to load" in fit.responses[0].method
    assert np.isnan(fit.responses[0].covariance).all()


def test_of_prints_that_say_little_those_stay_without_which_nothing_judges_the_loads():
    # In 1 of 25 simulated studies of 24 prints in 4 loads, a third of the coupons above a limit: of 24 prints 8 say less than
    # half, and the other 16 leave no load error degree of freedom.
    data = next(itertools.islice(censored_bound.drawn(4, "no break", 0.3, 1.0, 25, 1), 13, None))[0][0]
    kept, mixed, found = censored_bound.fitted(data, "limits")
    rest = without(kept, (shares_said(kept, mixed.variances, found.random) < 0.5)[kept.of_print])
    assert (len(kept.names), len(rest.names), found.load_dof, strata(rest).load_dof) == (24, 16, 1, 0)
    taken = inference._speaking_prints(kept, mixed, found.random)
    assert set(rest.names) < set(taken.names) < set(kept.names) and strata(taken).load_dof == 1
    limits = inference.means(inference.infer(kept, mixed, found.random, found.load_dof), np.eye(15)[[0, 4]], 0.95)
    assert np.isfinite([limits.low, limits.high]).all()
