"""The figures of effects, factors, residuals, loads and coverage, against identities that they must keep."""

import dataclasses

import numpy as np
import pytest
from scipy import stats

from doe.design.plan import Design
from doe.model.diagnosed import Diagnostics, Predicted, PrintFit
from doe.model.measured import predicted_mean
from doe.report import draw_lines, views
from doe.report.effect_views import band_views, effect_view
from doe.report.line_views import BandView, CoverageView, IntervalView, PointView, largest_first
from doe.report.residual_views import coverage_view, load_view, residual_views
from doe.study.spec import Constraint, Factor, Response
from doe.verdicts import Verdict
from tests.report import explored, samples


@pytest.fixture(scope="module")
def made():
    return explored.inputs()[0]


@pytest.fixture(scope="module")
def effects(made):
    return [effect_view(made.study, made.study.responses[at], made.fit.responses[at], made.fitted[at]) for at in (0, 1)]


def _row(view, name):
    return view.centre[view.names.index(name)]


def _mean(made, at, **settings):
    """The model's mean with all other factors in the middle, averaged over levels; the linear predictor for a logarithm."""
    one = made.fitted[at]
    held = {factor.name: factor.centre for factor in made.study.factors if factor.is_numeric} | settings
    levels = [settings["bed_surface"]] if "bed_surface" in settings else list(made.study.factors[3].levels)
    means = [
        predicted_mean(
            made.study, one, {name: np.array([value]) for name, value in {**held, "bed_surface": level}.items()}
        )
        for level in levels
    ]
    values = np.log(means) if made.study.responses[at].transform == "log" else np.array(means)
    return float(values.mean())


class TestEffects:
    def test_of_one_factor_is_the_difference_between_its_ends(self, made, effects):
        change = _mean(made, 0, nozzle_temperature=285) - _mean(made, 0, nozzle_temperature=255)
        assert _row(effects[0], "nozzle temperature, 255 to 285 °C") == pytest.approx(change, rel=1e-9)

    def test_of_two_factors_is_half_the_difference_that_one_makes_to_the_other(self, made, effects):
        by_end = [
            _mean(made, 0, nozzle_temperature=285, bed_temperature=end)
            - _mean(made, 0, nozzle_temperature=255, bed_temperature=end)
            for end in (100, 70)
        ]
        assert _row(effects[0], "nozzle temperature × bed temperature") == pytest.approx(
            (by_end[0] - by_end[1]) / 2, rel=1e-9
        )

    def test_of_a_square_is_how_far_the_ends_lie_above_the_middle(self, made, effects):
        ends = (_mean(made, 0, nozzle_temperature=285) + _mean(made, 0, nozzle_temperature=255)) / 2
        assert _row(effects[0], "nozzle temperature²") == pytest.approx(ends - _mean(made, 0), rel=1e-9)

    def test_of_a_level_is_its_distance_from_the_average_of_levels(self, made, effects):
        name = next(
            name for name in effects[0].names if name.startswith("bed surface") and "glass" in name and "×" not in name
        )
        distance = _mean(made, 0, bed_surface="glass") - _mean(made, 0)
        assert _row(effects[0], name) == pytest.approx(distance, rel=1e-9)

    def test_of_the_last_level_stands_there_too(self, made, effects):
        distance = _mean(made, 0, bed_surface="steel") - _mean(made, 0)
        assert _row(effects[0], "bed surface [steel]") == pytest.approx(distance, rel=1e-9)
        rows = [_row(effects[0], f"bed surface [{level}]") for level in ("glass", "sheet", "steel")]
        assert sum(rows) == pytest.approx(0, abs=1e-9 * max(map(abs, rows)))

    def test_of_a_factor_at_a_level_is_the_distance_from_its_average_over_levels(self, made, effects):
        by_level = [
            _mean(made, 0, nozzle_temperature=285, bed_surface=level) - _mean(made, 0, nozzle_temperature=255, bed_surface=level)
            for level in ("glass", "sheet", "steel")
        ]
        shown = [_row(effects[0], f"nozzle temperature × bed surface [{level}]") for level in ("glass", "sheet", "steel")]
        assert shown == pytest.approx(np.subtract(by_level, np.mean(by_level)), rel=1e-9)

    def test_of_the_last_printer_stands_there_too(self, effects):
        assert _row(effects[0], "printer B") == pytest.approx(-_row(effects[0], "printer A"), rel=1e-12)
        both = [effects[0].interval[effects[0].names.index(f"printer {name}")] for name in "AB"]
        assert both[0] == pytest.approx(-both[1][::-1], rel=1e-9)

    def test_of_a_logarithm_is_a_change_in_per_cent(self, made, effects):
        ratio = np.exp(_mean(made, 1, drying_time=10) - _mean(made, 1, drying_time=2))
        assert _row(effects[1], "drying time, 2 to 10 h") == pytest.approx(100 * (ratio - 1), rel=1e-9)
        assert effects[1].label == "effect on wall width, %"

    def test_stand_by_size_with_intervals_about_them(self, effects):
        for view in effects:
            assert (np.diff(np.abs(view.centre)) <= 0).all()
            assert ((view.interval[:, 0] < view.centre) & (view.centre < view.interval[:, 1])).all()

    def test_a_page_holds_thirty_six_and_the_caption_counts_the_rest(self):
        names, centre, _, left = largest_first([str(i) for i in range(45)], np.arange(45.0), np.zeros((45, 2)))
        assert (len(names), names[0], centre[-1], left) == (36, "44", 9.0, 9)


@pytest.fixture(scope="module")
def bands(made):
    held = {one.factor: one.value for one in made.recommendation.settings}
    done = (made.design, made.record)
    return list(band_views(made.study, done, made.study.responses[0], made.fitted[0], held)), held


class TestAlongAFactor:
    def test_only_factors_that_matter_have_one(self, made, bands):
        clear = {one.name for one in made.fit.responses[0].effects.factors if one.p < 0.05}
        numeric = [one.name.replace("_", " ") for one in made.study.factors if one.name in clear and one.is_numeric]
        assert [view.labels[0].partition(",")[0] for view in bands[0]] == numeric and numeric

    def test_the_prediction_interval_holds_the_one_of_the_mean(self, bands):
        for view in bands[0]:
            assert (view.outer[:, 0] < view.inner[:, 0]).all() and (view.inner[:, 1] < view.outer[:, 1]).all()

    def test_each_print_lies_as_far_from_the_line_as_from_the_model(self, made, bands):
        residuals = [one.residual for one in made.fit.responses[0].diagnostics.prints]
        found, held = bands
        for view, factor in zip(found, made.study.factors, strict=False):
            at = {name: np.full(len(view.dots), value) for name, value in held.items()} | {factor.name: view.dots[:, 0]}
            away = view.dots[:, 1] - predicted_mean(made.study, made.fitted[0], at)
            np.testing.assert_allclose(away, residuals, rtol=0, atol=1e-9)


def _diagnosed(residuals):
    prints = tuple(PrintFit(f"P{i:02d}A", 30 + value, 30.0, value, None, 0.3) for i, value in enumerate(residuals, 1))
    return Diagnostics(False, prints, (), (), None, Predicted(None, None, ""), ())


class TestResiduals:
    RESPONSE = samples.RESPONSES[0]

    def _views(self, *verdicts):
        study = samples.study()
        residuals = np.random.default_rng(5).normal(size=30)
        fit = dataclasses.replace(
            samples.response_fit(study, self.RESPONSE),
            diagnostics=_diagnosed(residuals),
            verdicts=tuple(Verdict(name, "", "", "z_strength") for name in verdicts),
        )
        return list(residual_views(fit, self.RESPONSE, samples.design(study))), residuals

    def test_are_drawn_only_where_a_verdict_calls_for_it(self):
        assert self._views("load variance not resolvable")[0] == []

    @pytest.mark.parametrize(
        ("verdict", "label"),
        [
            ("drift with run order", "run order"),
            ("load out of line", "drying load, in the order dried"),
            ("printers scatter unequally", "printer"),
            ("scatter grows with the mean", "mean that the model gives"),
            ("scatter not normal", "quantile of a normal distribution"),
        ],
    )
    def test_each_verdict_has_its_figure(self, verdict, label):
        (view,), residuals = self._views(verdict)
        assert view.labels[0] == label and verdict in view.caption
        assert sorted(view.y) == sorted(residuals)

    def test_by_printer_each_stands_over_its_own(self):
        (view,), _ = self._views("printers scatter unequally")
        assert view.ticks == ("A", "B") and view.x.tolist() == [0.0, 1.0] * 15

    def test_quantiles_are_those_of_blom(self):
        (view,), _ = self._views("scatter not normal")
        np.testing.assert_allclose(stats.norm.cdf(view.x), (np.arange(1, 31) - 0.375) / 30.25, rtol=1e-12)
        assert (np.diff(view.y) >= 0).all()


def test_loads_stand_where_their_prints_are(made):
    fit, one = made.fit.responses[0], made.fitted[0]
    view = load_view(fit, one, 0.95)
    counts = made.design.runs.groupby("load", sort=False)["print"].count()
    assert view.names == tuple(f"{name} ({count} prints)" for name, count in counts.items())
    assert view.centre.sum() == pytest.approx(0, abs=1e-9)
    assert (view.interval[:, 0] < view.centre).all() and (view.centre < view.interval[:, 1]).all()


def test_coverage_of_a_two_by_two_factorial_is_what_geometry_says():
    """With a plane in two factors the variance is (1 + a² + b²) / 4: below 1/2 within the unit circle, pi/4 of the square."""
    factors = tuple(Factor(name=name, unit="mm", low=0, high=2) for name in ("first", "second"))
    study = samples.study(factors, (Response(name="force", unit="N", coupons=1),))
    study = study.model_copy(update={"printers": (), "model": study.model.model_copy(update={"terms": "main"})})
    runs = samples.design(study, 4).runs.assign(load="", printer="", block=1)
    for name, values in (("first", [0.0, 2.0, 0.0, 2.0]), ("second", [0.0, 0.0, 2.0, 2.0])):
        runs[f"target.{name}"] = runs[f"set.{name}"] = values
    view = coverage_view(study, Design(runs))
    assert float(np.interp(np.sqrt(0.5), view.error, view.share)) == pytest.approx(np.pi / 4, abs=0.01)
    assert view.error[0] == pytest.approx(0.5, abs=0.005) and view.error[-1] == pytest.approx(np.sqrt(0.75), abs=0.01)


def test_a_plan_that_cannot_estimate_the_model_covers_nothing():
    study = samples.study()
    plan = samples.design(study)
    assert coverage_view(study, dataclasses.replace(plan, runs=plan.runs.head(3))) is None


def test_an_equality_of_two_constraints_leaves_no_settings_to_cover():
    study = samples.study()
    names = [factor.name for factor in study.factors if factor.is_numeric][:2]
    equal = tuple(
        Constraint(coef={names[0]: sign * 1.0, names[1]: sign * -np.sqrt(2)}, limit=sign * 0.1) for sign in (1, -1)
    )
    assert coverage_view(study.model_copy(update={"constraints": equal}), samples.design(study)) is None


def _drawn():
    grid, two = np.linspace(0, 1, 5), np.column_stack([np.full(5, -1.0), np.full(5, 1.0)])
    limit = (views.Limit(0.5, True, "at least 0.5 MPa"),)
    return [
        (draw_lines.interval_figure, IntervalView(("a" * 90, "b"), np.array([1, -0.2]), two[:2], "MPa", "Effects.")),
        (draw_lines.interval_figure, IntervalView(("a",), np.array([1.0]), np.full((1, 2), np.nan), "effect", "Effects.")),
        (draw_lines.point_figure, PointView(grid, grid, ("run order", "residual"), "Points.", named=((4, "P05"),))),
        (draw_lines.point_figure, PointView(grid, grid, ("load", "residual"), "Points.", tuple("abcdefghijkl"))),
        (draw_lines.band_figure, BandView(grid, grid, two, 2 * two, np.empty((0, 2)), limit, 0.5, ("x", "y"), "Line.")),
        (draw_lines.band_figure, BandView(grid, grid, two * np.nan, two * np.nan, two, (), None, ("日", "$y$"), "Line.")),
        (draw_lines.coverage_figure, CoverageView(grid, 1 + grid, "Coverage.")),
    ]  # fmt: skip


@pytest.mark.parametrize(("draw", "view"), _drawn())
def test_figures_are_the_same_bytes_twice_and_have_words(draw, view):
    assert draw(view) == draw(view)
    assert draw(view).startswith(b"<?xml")
    assert view.caption in view.alt
