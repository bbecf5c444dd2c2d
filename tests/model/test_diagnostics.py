"""Diagnostics as a stage: obvious faults are named, sound and odd data are not, and every case has figures or a reason."""

import json
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.api import OLS

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.diagnosed import verdicts
from doe.model.diagnostics import diagnose
from doe.model.fit import fit_model
from doe.model.results import as_data
from doe.numerics import reml
from doe.numerics.terms import model_matrix, standard_terms
from doe.report import diagnostics as report
from doe.report.tables import plain_text
from tests.conftest import make_study, numeric
from tests.records import simulated

TWO = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]
LOADS, EACH = 8, 5


@pytest.fixture(scope="module")
def template():
    study = make_study(factors=TWO, model={"terms": "interactions"}, printers=[], budget={"loads": 8})
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    return fit_model(study, design, simulated(study, design))[1][0]


def made(template, seed=1, ratio=0.3, coupons=1, loads=LOADS, each=EACH, **more):
    """Return sound data of loads of equal size, two factors with a quadratic model, the second fixed in a load."""
    rng = np.random.default_rng(seed)
    n = loads * each
    load = np.repeat(np.arange(loads), each)
    coded = np.column_stack([rng.permutation(np.linspace(-1, 1, n)), rng.permutation(np.linspace(-1, 1, loads))[load]])
    X = model_matrix(coded, standard_terms("quadratic", (0, 0)), (0, 0))
    y = X @ [50, 4, 3, 2, 1, 1] + rng.normal(0, ratio**0.5, loads)[load] + rng.normal(size=n)
    of_print = np.repeat(np.arange(n), coupons)
    values = y[of_print] + (rng.normal(size=n * coupons) if coupons > 1 else 0)
    data = replace(
        template.data,
        model=standard_terms("quadratic", (0, 0)), values=values, of_print=of_print, X=X, coded=coded,
        names=tuple(f"P{row + 1:02d}" for row in range(n)), labels=("intercept", "a", "b", "a^2", "a * b", "b^2"),
        load=load, load_names=tuple(f"L{code}" for code in range(loads)), cell=np.arange(n),
        printers=("A", "B"), printer=np.arange(n) % 2, order=np.arange(n),
        excluded=(), items=tuple(f"C{number:03d}" for number in range(n * coupons)),
    )  # fmt: skip
    return replace(data, **more)


def fitted(data):
    """Return the mixed model of some data and its components, as the fit stage chooses them."""
    random = (["load"] if data.load is not None and data.loads < len(data.names) else []) + (
        ["print"] if data.has_coupons else []
    )
    codes = {"load": data.load, "print": np.arange(len(data.names))}
    rows = data.of_print if data.has_coupons else np.arange(len(data.names))
    values = data.values if data.has_coupons else data.means
    return reml.fit_reml(values, data.X[rows], [codes[name][rows] for name in random]), random


def diagnosed(data):
    return diagnose(data, *fitted(data))


def said(found):
    return {verdict.name: verdict for verdict in verdicts(found, "z_strength", "MPa")}


def shifted(data, change):
    return replace(data, values=data.values + np.asarray(change, dtype=float)[data.of_print])


@pytest.mark.parametrize("coupons", [1, 3])
def test_sound_data_are_left_alone(template, coupons):
    found = diagnosed(made(template, coupons=coupons))
    assert said(found) == {}
    assert [check.name for check in found.checks if check.reason] == (
        [] if coupons > 1 else ["one coupon off", "coupon scatter and mean"]
    )
    assert found.predicted.by_print > 0.5 and found.predicted.by_load > 0.5
    assert json.dumps(as_data(found))


def test_a_print_out_of_line_is_named_with_its_size(template):
    data = made(template)
    found = diagnosed(shifted(data, 9.0 * (np.arange(40) == 17)))
    verdict = said(found)["print out of line"]
    assert "print P18 lies" in verdict.cause and "MPa above" in verdict.cause and verdict.about == "z_strength"
    assert found.check("one print off").estimate == pytest.approx(9, abs=3.5)
    assert "load out of line" not in said(found)
    assert max(found.prints, key=lambda one: abs(one.studentised)).print == "P18"


def test_how_far_a_print_is_off_is_said_beside_its_residual(template):
    # Each print on a load of its own, one stratum: the deletion residual is e / (1 - h), as statsmodels has it.
    data = made(template)
    alone = shifted(replace(data, load=np.arange(40), load_names=data.names), 9.0 * (np.arange(40) == 17))
    found = diagnosed(alone)
    expected = OLS(alone.means, alone.X).fit().get_influence()
    check, row = found.check("one print off"), found.prints[17]
    assert check.about == ("P18",)
    assert check.estimate == pytest.approx(expected.resid_press[17])
    assert row.studentised == check.statistic == pytest.approx(expected.resid_studentized_external[17])
    assert row.residual == pytest.approx(expected.resid[17])
    cause = said(found)["print out of line"].cause
    assert f"P18 lies {expected.resid_press[17]:.3g} MPa above what all other prints" in cause
    assert f"its residual is another figure, {expected.resid[17]:.3g} MPa above the model's mean" in cause


def test_a_load_that_is_off_is_not_blamed_on_its_prints(template):
    data = made(template, ratio=0.05)
    found = diagnosed(shifted(data, -25.0 * (data.load == 3)))
    assert "print out of line" not in said(found)
    verdict = said(found)["load out of line"]
    assert "the load L3" in verdict.cause and "below" in verdict.cause


def test_a_load_whose_prints_were_mixed_up_decides(template):
    data = made(template)
    change = np.zeros(40)
    change[20:25] = [12, -12, 11, -10, -1]
    found = said(diagnosed(shifted(data, change)))
    assert "the load L4" in found["one load decides"].cause
    assert "standard errors" in found["one load decides"].cause


def test_drift_is_given_over_the_whole_study(template):
    data = made(template, ratio=0.0)
    found = diagnosed(shifted(data, 8 * np.arange(40) / 39))
    assert found.check("drift").estimate == pytest.approx(8, abs=2.5)
    assert "rise by about" in said(found)["drift with run order"].cause


def test_scatter_that_grows_leads_to_the_logarithm(template):
    data = made(template, coupons=5)
    rng = np.random.default_rng(3)
    level = np.exp(2 + 0.6 * data.X[:, 1] + 0.5 * data.X[:, 2] + rng.normal(0, 0.1, 40))
    grown = replace(data, values=level[data.of_print] * np.exp(rng.normal(0, 0.15, 200)))
    found = diagnosed(grown)
    assert found.powers.low <= 0 <= found.powers.high < 1
    assert 'declare transform = "log"' in said(found)["scatter grows with the mean"].next_step
    log = data.response.model_copy(update={"transform": "log"})
    better = diagnosed(replace(grown, response=log, values=np.log(grown.values)))
    assert not {"scatter grows with the mean", "another scale fits better"} & set(said(better))


def test_a_logarithm_that_was_not_needed_is_named(template):
    data = made(template, coupons=5)
    level = 20 + 12 * data.X[:, 1] + np.random.default_rng(1).normal(0, 1, 40)
    values = level[data.of_print] + np.random.default_rng(2).normal(size=200)
    response = data.response.model_copy(update={"transform": "log"})
    log = replace(data, response=response, values=np.log(values))
    found = said(diagnosed(log))
    assert 'declare transform = "none"' in found["scatter falls with the mean"].next_step


def test_a_printer_that_scatters_more_is_named(template):
    data = made(template)
    noise = np.random.default_rng(6).normal(0, 6, 40) * (np.arange(40) % 2)
    found = said(diagnosed(shifted(data, noise)))
    assert "most on the printer B" in found["printers scatter unequally"].cause


def test_no_prediction_is_said_in_plain_words(template):
    data = made(template)
    noise = np.random.default_rng(15).normal(size=40)
    found = diagnosed(replace(data, values=noise))
    assert found.predicted.by_print < 0
    assert "more than the mean of all prints" in said(found)["model predicts nothing"].cause


def test_columns_and_prints_that_decide_alone_are_named(template):
    data = made(template)
    alone = data.X.copy()
    alone[:, 5] = alone[:, 4] + 0.05 * np.random.default_rng(1).normal(size=40)
    found = diagnosed(replace(data, X=alone))
    assert said(found)["coefficients hardly told apart"].cause.startswith(
        "the prints that gave values change a * b and b^2"
    )
    single = np.hstack([data.X, np.eye(40)[:, [7]]])
    found = diagnosed(replace(data, X=single, labels=(*data.labels, "c")))
    assert found.deciding == ("P08",) and found.prints[7].studentised is None
    assert said(found)["prints that decide their own prediction"].cause.startswith("P08:")
    held = np.hstack([data.X, (data.load == 2).astype(float)[:, None]])
    found = diagnosed(replace(data, X=held, labels=(*data.labels, "c")))
    assert (
        "without the load L2 nothing is known of c" in said(found)["one load alone holds up a term"].cause
    )
    assert found.predicted.by_load is None and "L2" in found.predicted.reason


def without_loads(template):
    return made(template, load=None)


def load_per_print(template):
    return made(template, load=np.arange(LOADS * EACH))


def unequal_coupons(template):
    data = made(template, coupons=3)
    kept = np.random.default_rng(4).random(len(data.values)) > 0.3
    kept[::3] = True
    return replace(data, values=data.values[kept], of_print=data.of_print[kept])


def one_printer(template):
    return made(template, printers=(), printer=np.zeros(LOADS * EACH, dtype=np.int64))


@pytest.mark.parametrize("case", [without_loads, load_per_print, unequal_coupons, one_printer])
def test_every_kind_of_study_gets_figures_or_reasons(template, case):
    found = diagnosed(case(template))
    assert all((check.p is None) == bool(check.reason) for check in found.checks)
    assert said(found) == {}
    assert all(np.isfinite([one.fitted, one.studentised]).all() for one in found.prints)


@pytest.mark.parametrize("left", [1, 2, 3])
@pytest.mark.parametrize("with_loads", [True, False])
def test_few_error_degrees_of_freedom_give_reasons_not_warnings(template, left, with_loads):
    data = made(template, loads=4, each=5)
    rng = np.random.default_rng(2)
    loads = 4 if with_loads else 0
    more = 20 - 6 - loads + (3 if with_loads else 0) - left  # intercept, b and b^2 are constant in loads
    X = np.hstack([data.X, rng.normal(size=(20, more))])
    labels = (*data.labels, *(f"c{place}" for place in range(more)))
    found = diagnosed(replace(data, X=X, labels=labels, load=data.load if with_loads else None))
    assert found.check("normal scatter").reason and found.check("scatter and mean").reason
    assert all((check.p is None) == bool(check.reason) for check in found.checks)
    list(verdicts(found, "z_strength", "MPa"))
    assert json.dumps(as_data(found))


def test_without_a_fit_only_the_plan_is_judged(template):
    data = made(template)
    found = diagnose(replace(data, values=np.full(40, 7.0)), None, ["load"])
    assert {check.reason for check in found.checks} == {"no variance could be estimated"}
    assert said(found) == {} and found.prints == ()


def test_an_exact_plane_with_rounding_does_not_warn(template):
    data = made(template)
    found = diagnosed(replace(data, values=np.round(data.X @ [50, 4, 3, 0, 0, 0], 1)))
    list(verdicts(found, "z_strength", "MPa"))


@pytest.mark.parametrize("case", [made, without_loads, unequal_coupons])
def test_tables_say_what_was_found(template, case):
    found = diagnosed(case(template))
    tables = [
        make(found, "z_strength", "MPa")
        for make in (report.check_of_fit_rows, report.print_rows, report.load_left_out_rows)
    ]
    assert all(len(row) == len(table.columns) == len(table.align) for table in tables for row in table.rows)
    assert len(tables[0].rows) == len(found.checks) + 5 and len(tables[1].rows) == 40
    assert len(tables[2].rows) == (0 if case is without_loads else LOADS)
    assert "Drift with run order" in plain_text(tables[0]) and "P07" in plain_text(tables[1])


def test_a_coupon_typed_ten_times_too_large_is_named(template):
    data = made(template, coupons=5)
    wrong = replace(data, values=np.where(np.arange(len(data.values)) == 37, 10 * data.values, data.values))
    for one, named in ((data, False), (wrong, True)):
        found = diagnose(one, *fitted(one))
        said = {verdict.name: verdict for verdict in verdicts(found, "strength", "MPa")}
        assert ("coupon out of line" in said) == named
    assert "C037 lies" in said["coupon out of line"].cause and "typing" in said["coupon out of line"].next_step
    assert not any(name.startswith("scatter") for name in said)


def test_a_coupon_is_judged_as_least_squares_with_a_column_of_its_own_would(template):
    # The mean-shift outlier test: t of an indicator of the coupon beside one mean per print, by statsmodels.
    data = made(template, coupons=3)
    check = next(one for one in diagnose(data, *fitted(data)).checks if one.name == "one coupon off")
    worst = int(check.about[0][1:])
    X = np.column_stack([np.eye(len(data.names))[data.of_print], np.arange(len(data.values)) == worst])
    ols = OLS(data.values, X.astype(float)).fit()
    assert check.statistic == pytest.approx(ols.tvalues[-1])
    assert check.estimate == pytest.approx(ols.params[-1])
    assert check.p == pytest.approx(min(1.0, len(data.values) * ols.pvalues[-1]))
