"""The predicted mean by levels of a categorical factor, against the model's own predictions and residuals."""

import dataclasses

import numpy as np
import pytest

from doe.model.measured import mean_interval, predicted_mean
from doe.report import draw_levels, drawn
from doe.report.level_views import level_views
from tests.report import explored


@pytest.fixture(scope="module")
def made():
    return explored.inputs()[0]


def _clear(one, p):
    """The same fit with the levels' test at a given probability."""
    tests = tuple(dataclasses.replace(test, p=p) if test.name == "bed_surface" else test for test in one.result.effects.factors)
    effects = dataclasses.replace(one.result.effects, factors=tests)
    return dataclasses.replace(one, result=dataclasses.replace(one.result, effects=effects))


def _views(made, at, p=0.01, recommended=True):
    held = {one.factor: one.value for one in made.recommendation.settings} if recommended else None
    done = (made.design, made.record)
    return list(level_views(made.study, done, made.study.responses[at], _clear(made.fitted[at], p), held)), held


@pytest.fixture(scope="module", params=[0, 1])
def shown(request, made):
    (view,), held = _views(made, request.param)
    return request.param, view, held


def test_only_a_factor_that_matters_has_one(made):
    assert len(_views(made, 0, p=0.04)[0]) == 1
    assert _views(made, 0, p=0.06)[0] == []


def test_mean_and_its_interval_are_those_of_the_model(made, shown):
    at, view, held = shown
    one = made.fitted[at]
    settings = {name: np.full(3, value) for name, value in held.items()} | {"bed_surface": np.array(view.levels, dtype=object)}
    np.testing.assert_allclose(view.mean, predicted_mean(made.study, one, settings), rtol=1e-12)
    np.testing.assert_allclose(view.inner, mean_interval(made.study, one, settings), rtol=1e-9)


def test_the_prediction_interval_holds_the_one_of_the_mean(shown):
    _, view, _ = shown
    assert (view.outer[:, 0] < view.inner[:, 0]).all() and (view.inner[:, 0] < view.mean).all()
    assert (view.mean < view.inner[:, 1]).all() and (view.inner[:, 1] < view.outer[:, 1]).all()


def test_each_print_stands_at_its_level_and_as_far_from_its_mean_as_from_the_model(made, shown):
    at, view, _ = shown
    one = made.fitted[at]
    runs = made.design.runs.set_index("print").loc[list(one.data.names), "target.bed_surface"]
    assert [view.levels[int(place)] for place in view.dots[:, 0]] == list(runs)
    logs = made.study.responses[at].transform == "log"
    mean = view.mean[view.dots[:, 0].astype(int)]
    away = np.log(view.dots[:, 1] / mean) if logs else view.dots[:, 1] - mean
    np.testing.assert_allclose(away, one.data.means - one.data.X @ one.estimates, rtol=0, atol=1e-9)


def test_the_alternative_text_names_every_level_with_its_numbers(shown):
    _, view, held = shown
    assert view.alt.startswith(f"Levels with intervals. {view.caption}")
    assert view.alt.removeprefix(f"Levels with intervals. {view.caption}").count("interval of a new print") == 3
    assert f"Recommended: {held['bed_surface']}." in view.alt


def test_without_a_recommendation_the_others_are_held_at_the_middle(made):
    (view,), _ = _views(made, 0, recommended=False)
    assert view.setting is None and "at the middle of the" in view.caption and "Recommended" not in view.alt


def test_its_drawing_is_the_same_bytes_twice_and_has_words(shown):
    _, view, _ = shown
    block = drawn.block(view)
    assert block["svg"] == draw_levels.level_band_figure(view) and block["svg"].startswith(b"<?xml")
    assert block["alt"] == view.alt


@pytest.mark.parametrize("count", [2, 8])
def test_without_intervals_and_with_many_long_names_it_is_drawn_as_well(shown, count):
    _, view, _ = shown
    none = np.full((count, 2), np.nan)
    names = tuple(f"{number} {'textured sheet of one more kind ' * 2}" for number in range(count))
    odd = dataclasses.replace(
        view, levels=names, mean=np.arange(count) * 1.0, inner=none, outer=none, dots=np.empty((0, 2)), setting=1
    )
    assert draw_levels.level_band_figure(odd).startswith(b"<?xml")
    assert "interval of" not in odd.alt.removeprefix(f"Levels with intervals. {odd.caption}")
