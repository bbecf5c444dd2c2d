"""What the map of the bound and the margins show, against a posterior that is known."""

import dataclasses
import re

import numpy as np
import pytest

from doe.recommend import window
from doe.recommend.bounds import estimates_and_bounds
from doe.report import draw_maps, map_views
from tests.recommend.test_choose import DRYING, NOZZLE, STRENGTH, SURFACE, grid
from tests.recommend.test_window import judged, make_study

WARP = {"name": "warp", "unit": "mm", "per": "print", "at_most": 3.0}
ERRORS = [{**NOZZLE, "setpoint_sd": 2}, {**DRYING, "setpoint_sd": 0.5}]


def flat(at):
    return 0 * np.array([len(str(one)) for one in at["nozzle"]], dtype=float)


def two(factors=ERRORS, height=28.0, warp=2.0, **more):
    """Return a study of nine settings twice: strength falls with the nozzle's distance from 270, warp rises with drying."""
    study = make_study(factors=factors, responses=[STRENGTH, WARP], **more)
    truths = {
        "strength": lambda at: height - 3 * ((at["nozzle"] - 270) / 15) ** 2,
        "warp": lambda at: warp + 0.5 * (at["drying"] - 8) / 4 + flat(at),
    }
    chosen = judged(study, truths, sd=(0.1, 0.1, 0.3))
    return chosen, window.find_window(chosen)


@pytest.fixture(scope="module")
def shown():
    return two()


@pytest.fixture(scope="module")
def surfaces():
    """A factor with levels that alone decides, and one that does nothing."""
    study = make_study(factors=[NOZZLE, SURFACE], responses=[STRENGTH])
    lift = {"glass": 0.0, "sheet": 3.0, "steel": 3.0}
    truth = {"strength": lambda at: 25 + np.array([lift[one] for one in at["surface"]])}
    settings, _ = grid((255, 270, 285), ("glass", "sheet", "steel"))
    chosen = judged(study, truth, settings, [place % 6 for place in range(len(settings))], sd=(0.05, 0.1, 0.3))
    return chosen, window.find_window(chosen)


class TestMap:
    def test_bound_at_every_point_of_the_map(self, shown):
        chosen, found = shown
        view = map_views.map_view(chosen, found)
        assert (view.labels, view.scatter) == (("nozzle, °C", "drying, h"), (2.0, 0.5))
        for row, column in ((0, 0), (3, 7), (-1, -1)):
            places = [int(np.abs(axis.natural - value).argmin()) for axis, value in
                      zip(chosen.area.axes, (view.x[column], view.y[row]), strict=True)]
            if chosen.area.allows(np.array([places]))[0]:
                # single precision: the sum of a product depends on how many settings are in it
                assert view.bound[row, column] == pytest.approx(estimates_and_bounds(chosen, np.array([places]))[1][0], abs=1e-6)
            else:
                assert np.isnan(view.bound[row, column])
        assert view.setting[0] in view.x and view.setting[1] in view.y

    def test_window_and_prints_are_drawn_where_they_are(self, shown):
        chosen, found = shown
        view = map_views.map_view(chosen, found)
        nozzle, drying = found.reaches
        assert view.box == ((nozzle.low, nozzle.high), (drying.low, drying.high))
        assert len(view.prints) == 18 and view.near.all()
        assert {tuple(one) for one in np.round(view.prints, 9)} == {(a, b) for a in (255, 270, 285) for b in (4, 8, 12)}

    def test_words_tell_what_the_picture_shows(self, shown):
        chosen, found = shown
        view = map_views.map_view(chosen, found)
        assert view.caption.startswith("Bound of the conformance over nozzle and drying: with 9")
        assert "each setting by itself" in view.caption and "Asked for are 90 %." in view.caption
        assert f"from {found.reaches[0].low:g} to {found.reaches[0].high:g} in nozzle" in view.caption
        assert view.caption in view.alt and "18 prints are drawn as dots" in view.alt

    def test_prints_far_in_the_other_factors_are_hollow(self):
        factors = [*ERRORS, {"name": "fan", "unit": "%", "low": 0, "high": 100, "increment": 10}]
        study = make_study(factors=factors, responses=[STRENGTH], model={"terms": "main"})
        settings, loads = grid((255, 285), (0, 12), (0, 100))
        settings = [(a, max(b, 4), c) for a, b, c in settings]
        truth = {"strength": lambda at: 26 + 0.1 * (at["nozzle"] - 270) + 0.1 * (at["drying"] - 8)}
        chosen = judged(study, truth, settings, [place % 6 for place in range(len(loads))], sd=(0.1, 0.2, 0.5))
        view = map_views.map_view(chosen, window.find_window(chosen))
        place = float(chosen.coded[0, 2])
        assert view.near.sum() == (8 if abs(place) >= 0.5 else 0)
        assert "Hollow dots are the" in view.caption and "at the recommended fan" in view.caption

    def test_no_map_of_one_numeric_factor(self, surfaces):
        assert map_views.map_view(*surfaces) is None

    def test_without_a_window_there_is_no_box(self):
        chosen, found = two(height=23.0)
        assert found.reason == "estimate"
        view = map_views.map_view(chosen, found)
        assert view.box is None and "There is no process window." in view.caption
        assert draw_maps.map_figure(view).startswith(b"<?xml")


class TestMargins:
    def test_margin_is_mean_less_limit_in_response_units(self, shown):
        chosen, found = shown
        strength, warp = map_views.margin_views(chosen, found, 0.95)
        nozzle = next(row for row in strength.rows if row.label == "nozzle, °C")
        truth = 28 - 25 - 3 * ((nozzle.at - 270) / 15) ** 2
        assert nozzle.median == pytest.approx(truth, abs=0.4)
        drying = next(row for row in warp.rows if row.label == "drying, h")
        assert drying.median == pytest.approx(3 - 2 - 0.5 * (drying.at - 8) / 4, abs=0.3)
        assert strength.label == "strength: mean's distance from its limit, MPa"
        assert warp.label == "warp: mean's distance from its limit, mm"

    def test_band_is_that_of_the_draws_at_each_setting(self, shown):
        chosen, found = shown
        row = map_views.margin_views(chosen, found, 0.9)[0].rows[0]
        drawn = chosen.view.drawn[0].beta @ chosen.view.views[0].rows(chosen.coded)[0] - 25
        assert row.band[row.setting] == pytest.approx(np.quantile(drawn, [0.05, 0.95]))
        assert row.median[row.setting] == pytest.approx(np.median(drawn))

    def test_two_limits_count_from_the_nearer_one(self):
        study = make_study(responses=[{**STRENGTH, "at_most": 27.0}], model={"terms": "main"})
        chosen = judged(study, {"strength": lambda at: 26 + (at["nozzle"] - 270) / 15}, sd=(0.05, 0.05, 0.1))
        row = map_views.margin_views(chosen, window.find_window(chosen), 0.95)[0].rows[0]
        assert row.median == pytest.approx(1 - np.abs(row.at - 270) / 15, abs=0.2)

    def test_a_logarithm_counts_in_response_units(self):
        study = make_study(responses=[{**STRENGTH, "transform": "log"}], model={"terms": "main"})
        chosen = judged(study, {"strength": lambda at: 30 + 0.1 * (at["nozzle"] - 270)}, sd=(0.05, 0.05, 0.1))
        (view,) = map_views.margin_views(chosen, window.find_window(chosen), 0.95)
        row = next(row for row in view.rows if row.label == "nozzle, °C")
        assert row.median == pytest.approx(5 + 0.1 * (row.at - 270), abs=0.2)
        assert view.label == "strength: median's distance from its limit, MPa" and " % or so" in view.caption

    def test_window_is_shaded_to_its_ends(self, shown, surfaces):
        chosen, found = shown
        for row, name in ((row, row.label.split(",")[0]) for row in map_views.margin_views(chosen, found, 0.95)[0].rows):
            one = next(one for one in found.reaches if one.factor == name)
            assert row.window == ((one.low, one.high),)
        rows = map_views.margin_views(*surfaces, 0.95)[0].rows
        assert rows[0].levels == ("glass", "sheet", "steel") and [low + 0.35 for low, _ in rows[0].window] == [1, 2]

    def test_words_give_the_figures(self, shown):
        (view, _) = map_views.margin_views(*shown, 0.95)
        assert "at least 25 MPa" in view.caption and "95 % band for each setting by itself" in view.caption
        assert re.search(r"nozzle, °C: .* at 255, .* at 27\d, .* at 285\.", view.alt)

    def test_no_more_than_six_strips_and_the_rest_is_named(self):
        names = ["nozzle", *"bcdefg"]
        factors = [{"name": name, "unit": "%", "low": 0, "high": 100, "increment": 10} for name in names]
        study = make_study(factors=factors, responses=[STRENGTH], model={"terms": "main"})
        settings = [tuple(row) for row in np.random.default_rng(4).choice([0, 100], (24, 7)).tolist()]
        truth = {"strength": lambda at: 28 + sum(by * at[name] / 100 for by, name in enumerate(names))}
        chosen = judged(study, truth, settings, [place % 6 for place in range(24)], sd=(0.05, 0.05, 0.1))
        (view,) = map_views.margin_views(chosen, window.find_window(chosen), 0.95)
        assert [row.label for row in view.rows] == ["g, %", "f, %", "e, %", "d, %", "c, %", "b, %"]
        assert view.caption.endswith("Not shown, as they move it less: nozzle.")
        assert draw_maps.margin_figure(view).startswith(b"<?xml")


class TestDrawing:
    def test_the_same_view_gives_the_same_bytes_without_letters_of_the_machine(self, shown, surfaces):
        drawn = [(draw_maps.map_figure, map_views.map_view(*shown))]
        margins = [map_views.margin_views(*one, 0.95)[0] for one in (shown, surfaces)]
        drawn += [(draw_maps.margin_figure, one) for one in margins]
        for draw, view in drawn:
            first = draw(view)
            assert first == draw(view)
            for absent in (b"<text", b"<dc:date>", b"font-family", b"matplotlib.org"):
                assert absent not in first

    @pytest.mark.parametrize("value", [0.0, 0.9, 1.0])
    def test_a_map_without_any_change(self, shown, value):
        view = map_views.map_view(*shown)
        same = dataclasses.replace(view, bound=np.full(view.bound.shape, value))
        assert draw_maps.map_figure(same).startswith(b"<?xml")

    @pytest.mark.parametrize("scatter", [(0.0, 0.0), (2.0, 0.0), (0.0, 0.5), (2.0, 0.5)])
    def test_scatter_of_none_one_or_both_factors(self, shown, scatter):
        view = dataclasses.replace(map_views.map_view(*shown), scatter=scatter)
        assert draw_maps.map_figure(view).startswith(b"<?xml")

    def test_part_of_the_map_may_be_barred(self, shown):
        view = map_views.map_view(*shown)
        bound = view.bound.copy()
        bound[:, :5] = np.nan
        assert b"<pattern" in draw_maps.map_figure(dataclasses.replace(view, bound=bound))

    def test_shades_get_darker_with_the_bound(self):
        shades = [*np.linspace(*draw_maps._LIGHT, 4), *np.linspace(*draw_maps._DARK, 3)]
        lightness = draw_maps.BANDS(shades)[:, :3] @ [0.2126, 0.7152, 0.0722]
        assert (np.diff(lightness) < -0.02).all()
        assert lightness[3] - lightness[4] > 1.5 * (lightness[2] - lightness[3])  # the step at what is asked for
