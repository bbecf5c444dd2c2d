import base64
import dataclasses
import json

import numpy as np
import pytest

from doe.design import calibrated
from doe.model.measured import mean_interval, predicted_mean
from doe.numerics.conformance import met
from doe.report import explorer
from tests.report import explored

SINGLE = 3e-6  # what rounding every step to single precision may do to a share


@pytest.fixture(scope="module")
def made():
    inputs, fitted = explored.inputs()
    return inputs, fitted, _exported(inputs, fitted)


def _exported(inputs, fitted):
    return explorer.explorer(inputs, fitted, calibrated.lines_of(inputs.study, inputs.record.checks))


def _coded(inputs, places):
    return explorer._coded(inputs.chosen.area, places)


def _natural(data, inputs, places):
    of = zip(inputs.study.factors, data["factors"], places, strict=True)
    return {factor.name: [one["values"][place]] for factor, one, place in of}


def _numbers(text, kind="<f4"):
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def test_it_is_plain_json_and_the_same_every_time(made):
    assert json.loads(json.dumps(made[2], allow_nan=False)) == made[2]
    assert _exported(*made[:2]) == made[2]


def test_it_starts_at_the_recommended_setting(made):
    inputs, _, data = made
    values = [one["values"][place] for one, place in zip(data["factors"], data["start"], strict=True)]
    assert values == [one.value for one in inputs.recommendation.settings]


def test_every_increment_of_a_factor_can_be_tried(made):
    nozzle, bed, drying, surface = (one["values"] for one in made[2]["factors"])
    assert nozzle == list(range(255, 286))
    assert bed == [70, 75, 80, 85, 90, 95, 100]
    assert drying == [2 + i / 2 for i in range(17)]
    assert surface == ["glass", "sheet", "steel"]


def test_the_page_is_told_the_means_and_intervals_that_doe_has_at_its_start(made):
    inputs, fitted, data = made
    natural = _natural(data, inputs, data["start"])
    for one, told in zip(fitted, data["check"]["responses"], strict=True):
        assert told["mean"] == pytest.approx(float(predicted_mean(inputs.study, one, natural)[0]), rel=1e-12)
        assert told["interval"] == pytest.approx(mean_interval(inputs.study, one, natural)[0].tolist(), rel=1e-12)


def test_the_page_is_told_the_conformance_of_the_report(made):
    inputs, _, data = made
    share = inputs.recommendation.conformance
    assert 0.5 < share.lower < share.estimate < 0.9999  # a case in which something can be seen
    assert data["check"]["estimate"] == pytest.approx(share.estimate, abs=SINGLE)
    assert data["check"]["bound"] == pytest.approx(share.lower, abs=SINGLE)


def test_shares_are_those_of_the_recommendation_at_any_setting(made):
    inputs, _, data = made
    view = inputs.chosen.view
    for places in explored.settings(data, 12):
        coded = _coded(inputs, places)
        assert explorer.shares(view, coded, 2000) == pytest.approx(view.shares(coded)[0].astype(float), abs=SINGLE)
        assert explorer.shares(view, coded, 300) == pytest.approx(view.shares(coded, 300)[0].astype(float), abs=SINGLE)


def test_the_normal_share_is_that_of_the_conformance(made):
    one = made[0].chosen.view.by_printer[0][0]
    single = dataclasses.replace(one, coefficients=np.ones((1, 1), dtype=np.float32), width=None)
    z = np.linspace(-9, 9, 1001)
    assert explorer._normal_share(z) == pytest.approx(met(z[:, None], single)[:, 0].astype(float), abs=SINGLE)


def test_the_draws_go_out_as_they_are(made):
    inputs, _, data = made
    view, asked = inputs.chosen.view, data["conformance"]
    assert asked["draws"] == asked["every"] == 2000
    assert asked["ofPrinter"] == [0, 1]
    for kept, of_printer in zip(asked["margins"], view.by_printer, strict=True):
        for text, one in zip(kept, of_printer, strict=True):
            assert np.array_equal(_numbers(text["coefficients"]).reshape(2000, -1), one.coefficients)
            assert (text["width"] is None) == (one.width is None)
            assert one.width is None or np.array_equal(_numbers(text["width"]), one.width)


def test_printers_that_share_their_draws_send_them_once(made):
    inputs = made[0]
    view = dataclasses.replace(inputs.chosen.view, by_printer=(inputs.chosen.view.requirements,) * 2)
    kept, places = explorer._different(view)
    assert len(kept) == 1
    assert places == [0, 0]


def test_fewer_draws_go_out_where_all_would_not_fit(made, monkeypatch):
    inputs, fitted, _ = made
    monkeypatch.setattr(explorer, "ROOM", 100_000)
    data = _exported(inputs, fitted)
    size, view = data["conformance"]["draws"], inputs.chosen.view
    sent = sum(len(_numbers(one[key])) for kept in data["conformance"]["margins"] for one in kept for key in one if one[key])
    assert 200 <= size < 2000
    assert sent * 4 <= 100_000
    drawn = view.shares(inputs.chosen.coded, size)[0].astype(float)
    assert data["check"]["estimate"] == pytest.approx(np.median(drawn), abs=SINGLE)
    assert np.sort(drawn)[data["conformance"]["rank"]] == pytest.approx(data["check"]["bound"], abs=SINGLE)


def test_never_fewer_than_two_hundred(made, monkeypatch):
    monkeypatch.setattr(explorer, "ROOM", 1)
    assert explorer.drawn_in_page(made[0].chosen.view) == 200


def test_a_bar_shows_the_limits_and_the_recommended_setting(made):
    for one, told in zip(made[2]["responses"], made[2]["check"]["responses"], strict=True):
        low, high = one["scale"]
        assert all(low < limit < high for limit in (one["atLeast"], one["atMost"]) if limit is not None)
        assert all(low < end < high for end in (told["mean"], *told["print"]))


def test_a_line_gives_a_setpoint_only_where_it_was_read(made):
    first, *others = made[2]["printers"][0]["lines"]
    assert others == [None, None, None]
    assert first["low"] == pytest.approx(250 - 1, abs=1e-6)  # one increment beyond the readings is covered
    assert first["high"] == pytest.approx(290 + 1, abs=1e-6)


def test_with_few_loads_the_posterior_goes_out():
    inputs, fitted = explored.inputs(3)
    grid, found = _exported(inputs, fitted)["responses"][0]["mixture"], fitted[0].inference.mixture
    size = len(fitted[0].estimates)
    assert _numbers(grid["weights"], "<f8").tolist() == found.weights.tolist()
    assert _numbers(grid["centres"]).reshape(-1, size) + fitted[0].estimates == pytest.approx(found.centres, abs=1e-6)
    upper = np.zeros((len(found.weights), size, size))
    upper[:, *np.triu_indices(size)] = _numbers(grid["covariances"]).reshape(len(found.weights), -1)
    assert upper == pytest.approx(np.triu(found.covariances), rel=1e-6)


def test_the_page_is_told_the_desirability_of_the_recommendation():
    inputs, fitted = explored.wished()
    data = explorer.explorer(inputs, fitted, {})
    assert 0.1 < inputs.recommendation.desirable.overall < 0.99  # a case in which something can be seen
    assert data["check"]["overall"] == pytest.approx(inputs.recommendation.desirable.overall, rel=1e-12)
    assert [goal["aim"] for goal in data["goals"]] == ["maximise", "target", "minimise"]
    assert [goal["shape"] for goal in data["goals"]] == [(2,), (0.5, 2), (1,)]
    assert json.loads(json.dumps(data, allow_nan=False))["conformance"] is None


def test_a_study_with_requirements_has_no_desirability(made):
    assert made[2]["goals"] is None
    assert made[2]["check"]["overall"] is None


def test_without_a_recommendation_there_is_a_middle_and_no_conformance(made):
    inputs, fitted, _ = made
    data = _exported(dataclasses.replace(inputs, recommendation=None, chosen=None), fitted)
    assert data["conformance"] is None
    assert data["check"]["estimate"] is None
    assert data["start"] == [15, 3, 8, 1]
    assert not data["recommended"]


def test_without_a_model_there_is_nothing_to_try(made):
    assert _exported(made[0], ()) is None
