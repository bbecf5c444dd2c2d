"""The reduced and the averaged model beside the declared one: what is said of them, and when."""

import dataclasses
import json

import numpy as np
import pytest
import statsmodels.api as sm

from doe.model import choice
from doe.numerics import terms
from doe.report.choice import choice_rows, importance_rows
from tests.model.test_effects import fitted, made

QUADRATIC = terms.standard_terms("quadratic", (0, 0))
FACTORIAL = [[a, b] for a in (-1, 0, 1) for b in (-1, 0, 1)]


def response(effects, seed=1, sd=0.5, repeats=3, **more):
    """Return a factorial of two factors, printed several times, with these effects of the columns of the quadratic."""
    coded = np.array(FACTORIAL * repeats, dtype=float)
    mean = terms.model_matrix(coded, QUADRATIC, (0, 0)) @ np.array(effects, dtype=float)
    values = mean + sd * np.random.default_rng(seed).normal(size=len(coded))
    return made(coded, (0, 0), QUADRATIC, values=values, **more)


def test_a_clear_truth_is_found_and_the_rest_is_dropped():
    data = response([30, 3, 0, 0, -2, 0])
    found = choice.choose(data, fitted(data, ()), ())
    assert found.reason == "" and found.complete and found.models == 13
    assert next(one.term for one in found.importance) == "nozzle_temperature"
    kept = {one.term for one in found.importance if one.kept}
    assert {"nozzle_temperature", "nozzle_temperature^2"} <= kept
    assert "nozzle_temperature * drying_time" in found.dropped
    assert set(found.dropped) == {one.term for one in found.importance} - kept
    assert min(one.importance for one in found.importance if one.term.startswith("nozzle_temperature^2")) > 0.99


def test_figures_are_those_of_least_squares_by_statsmodels():
    data = response([30, 3, 0, 0, -2, 0])
    found = choice.choose(data, fitted(data, ()), ())

    def aicc(fit):
        k = len(fit.params) + 1
        return -2 * fit.llf + 2 * k + 2 * k * (k + 1) / (27 - k - 1)

    columns = [place for place, term in enumerate(QUADRATIC) if term in found.reduced_model]
    declared, reduced = sm.OLS(data.means, data.X).fit(), sm.OLS(data.means, data.X[:, columns]).fit()
    assert found.declared_aicc == pytest.approx(aicc(declared))
    assert found.reduced_aicc == pytest.approx(aicc(reduced))
    assert found.evidence == pytest.approx(aicc(declared) - aicc(reduced))
    assert found.charge == pytest.approx(found.evidence + 2 * (declared.llf - reduced.llf))
    assert found.centre.declared == pytest.approx(declared.params[0])
    assert found.centre.declared_se == pytest.approx(declared.bse[0])
    assert found.centre.reduced == pytest.approx(reduced.params[0])
    away = np.abs(data.X[:, columns] @ reduced.params - data.X @ declared.params)
    errors = np.sqrt(np.einsum("ij,jk,ik->i", data.X, declared.cov_params(), data.X))
    assert found.moved == pytest.approx((away / errors).max())
    place = data.names.index(found.moved_at)
    assert (away / errors)[place] == pytest.approx(found.moved)
    assert abs(found.moved_by) == pytest.approx(away[place])


def test_averaged_coefficients_predict_the_averaged_mean_and_printers_stay():
    data = response([30, 3, 0, 0, -2, 0], printers=("A", "B"))
    found = choice.choose(data, fitted(data, ()), ())
    assert found.centre.averaged == pytest.approx(found.averaged[0])
    assert len(found.averaged) == len(found.reduced) == 7
    assert found.reduced[-1] != 0  # the printers' column
    assert not any(one.term.startswith("printer") for one in found.importance)


def test_a_factor_of_several_levels_is_one_term():
    coded = np.array([[a, b] for a in (-1, 0, 1) for b in (0, 1, 2)] * 3, dtype=float)
    model = ((), (0,), (1,))
    scatter = np.random.default_rng(3).normal(size=27)
    data = made(coded, (0, 3), model, values=scatter + 4 * (coded[:, 1] == 1))
    found = choice.choose(data, fitted(data, ()), ())
    assert found.models == 4
    assert [one.term for one in found.importance] == ["nozzle_temperature", "drying_time"]
    assert found.importance[1].importance > 0.99


def test_declared_model_without_an_aicc_is_said_so():
    rows = np.array([*FACTORIAL[:8]], dtype=float)
    data = made(rows, (0, 0), QUADRATIC, values=5 * rows[:, 0] + np.random.default_rng(1).normal(size=8))
    found = choice.choose(data, fitted(data, ()), ())  # 8 - 7 - 1 = 0
    assert found.declared_aicc is None and found.evidence is None and found.declared_weight == 0
    assert found.reduced_aicc is not None and found.dropped
    table = choice_rows(found)
    assert table.rows[0][1] == "does not exist"
    assert "too few for the AICc of the declared model" in table.note
    assert "says nothing against it" in table.note


def test_loads_used_up_by_the_model_are_the_reason():
    data = response([30, 3, 0, 0, -2, 0], load=np.repeat([0, 1, 2], 9))
    found = choice.choose(data, fitted(data, ()), ())
    assert "no error degree of freedom between loads" in found.reason
    assert found.importance == () and list(choice.verdicts(found)) == []
    assert importance_rows(found).rows == ()
    assert "No smaller models are compared" in choice_rows(found).note


def test_too_few_prints_for_any_part_are_the_reason():
    data = made([[-1.0], [0], [1]], (0,), ((), (0,)), values=np.array([1.0, 2.1, 3.0]))
    found = choice.choose(data, fitted(data, ()), ())
    assert "3 prints are too few for the AICc of any part" in found.reason  # of the intercept alone: 3 - 2 - 1 = 0
    assert found.importance == ()


def test_nothing_to_compare():
    data = made(FACTORIAL, (0, 0), ((),))
    assert choice.choose(data, fitted(data, ()), ()) is None
    assert choice.choose(response([30, 3, 0, 0, -2, 0]), None, ()) is None


def test_loads_enter_as_a_component():
    loads = np.repeat(np.arange(9), 3)
    coded = np.array([[a, (-1, 0, 1)[load % 3]] for load in range(9) for a in (-1, 0, 1)], dtype=float)
    generator = np.random.default_rng(8)
    values = 3 * coded[:, 0] + generator.normal(size=27) + 2 * generator.normal(size=9)[loads]
    data = made(coded, (0, 0), QUADRATIC, load=loads, values=values)
    found = choice.choose(data, fitted(data), ("load",))
    part = np.flatnonzero([term in found.reduced_model for term in QUADRATIC])
    fit = sm.MixedLM(data.means, data.X[:, part], groups=loads).fit(reml=False)
    k = len(part) + 2
    assert found.reduced_aicc == pytest.approx(-2 * fit.llf + 2 * k + 2 * k * (k + 1) / (27 - k - 1), abs=1e-4)


def test_verdict_where_a_prediction_moves_far():
    data = response([30, 3, 0, 0, -2, 0])
    found = choice.choose(data, fitted(data, ()), ())
    assert found.moved < 3 and list(choice.verdicts(found)) == []
    (said,) = choice.verdicts(dataclasses.replace(found, moved=3.4, moved_at="P3", moved_by=-1.23))
    assert said.name == "a smaller model predicts otherwise"
    assert "at the setting of print P3 its prediction is 1.2 MPa below that of the declared model" in said.cause
    (said,) = choice.verdicts(
        dataclasses.replace(found, moved=3.4, moved_at="P3", moved_by=float(np.log(1.1)), log=True)
    )
    assert "10 % above" in said.cause


def test_tables_and_json():
    data = response([30, 3, 0, 0, -2, 0])
    found = choice.choose(data, fitted(data, ()), ())
    table = choice_rows(found)
    assert [row[0] for row in table.rows] == ["Declared", "Smaller, favoured by AICc", "Weighted mean of all"]
    assert table.rows[1][4] == "none given"  # no interval of its own
    assert "too good, so none are given" in table.note
    assert "nozzle temperature × drying time" in table.note
    assert len(importance_rows(found).rows) == 5
    assert json.loads(json.dumps(dataclasses.asdict(found)))["models"] == 13
