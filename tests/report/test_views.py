import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.report import views
from tests.report import samples

STUDY = samples.study()
STRENGTH, WARP, GRADE, LID = STUDY.responses


def _prints(study=STUDY, values=None):
    runs = samples.design(study).runs
    settings = pd.DataFrame({factor.name: runs[f"target.{factor.name}"] for factor in study.factors})
    return views.Prints(settings, np.full(len(settings), 27.5) if values is None else np.asarray(values, dtype=float))


def _bed_and_time(settings):
    """Only bed temperature and drying time move this mean, from 22 to 32."""
    bed = (np.asarray(settings["bed_temperature"], dtype=float) - 85) / 15
    return 27 + 3 * bed + 2 * (np.asarray(settings["drying_time"], dtype=float) - 6) / 4


def test_the_surface_is_over_the_two_factors_that_move_the_mean_most():
    view = views.measured_view(STUDY, STRENGTH, _prints(), _bed_and_time, None, None)
    assert view.labels == ("bed temperature, °C", "drying time, h", "z strength, MPa")
    assert (view.z.min(), view.z.max()) == (22, 32)
    assert view.setting is None
    assert "at the middle of the nozzle temperature 270 °C; bed surface glass, glue stick" in view.caption


def test_the_others_are_held_at_the_recommended_setting():
    at = {"nozzle_temperature": 277.5, "bed_temperature": 92.5, "drying_time": 8.0, "bed_surface": "textured sheet"}
    seen = []

    def predict(settings):
        seen.append({name: set(np.unique(values)) for name, values in settings.items()})
        return _bed_and_time(settings)

    view = views.measured_view(STUDY, STRENGTH, _prints(), predict, None, at)
    assert seen[-1]["nozzle_temperature"] == {277.5}
    assert seen[-1]["bed_surface"] == {"textured sheet"}
    assert view.setting == (92.5, 8.0)
    assert "at the recommended nozzle temperature 277.5 °C; bed surface textured sheet" in view.caption


def test_the_alternative_text_says_what_the_figure_shows():
    view = views.measured_view(STUDY, STRENGTH, _prints(), _bed_and_time, None, None)
    for part in ("Contour plot", "bed temperature", "22.0 to 32.0", "30 prints", "highest value is at bed temperature, °C 100.0"):
        assert part in view.alt


@pytest.mark.parametrize(
    ("at_least", "at_most", "said"),
    [(10, None, "meets the limit at least 10 MPa"), (40, None, "misses the limit at least 40 MPa"),
     (None, 10, "misses the limit at most 10 MPa"), (None, 40, "meets the limit at most 40 MPa"), (27, None, "")],
)
def test_a_limit_off_the_surface_is_said_in_words(at_least, at_most, said):
    response = STRENGTH.model_copy(update={"at_least": at_least, "at_most": at_most})
    view = views.measured_view(STUDY, response, _prints(), _bed_and_time, None, None)
    assert said in view.caption and ("All of it" in view.caption) == bool(said)


def test_a_print_far_off_is_counted_and_not_drawn():
    prints = _prints()
    prints.settings.loc[0, "bed_temperature"] = 5.0
    view = views.measured_view(STUDY, STRENGTH, prints, _bed_and_time, None, None)
    assert len(view.prints) == 29
    assert "Prints outside of what is shown: 1." in view.caption


def test_a_print_far_off_is_left_out_of_levels_too():
    study = samples.study((samples.FACTORS[0], samples.FACTORS[3]))
    prints = _prints(study)
    prints.settings.loc[0, "nozzle_temperature"] = 5.0
    view = views.measured_view(study, STRENGTH, prints, lambda settings: samples.predict(study, settings), None, None)
    assert sum(len(one.dots) for one in view.series) == 29
    assert "Prints outside of what is shown: 1." in view.caption


def test_one_numeric_factor_gives_levels_with_intervals():
    study = samples.study((samples.FACTORS[0], samples.FACTORS[3]))

    def predict(settings):
        return samples.predict(study, settings)

    def interval(settings):
        return predict(settings)[:, None] + np.array([-0.5, 0.5])

    view = views.measured_view(study, STRENGTH, _prints(study), predict, interval, None)
    assert view.levels == ("255", "270", "285")
    assert [one.name for one in view.series] == ["bed surface glass, glue stick", "bed surface textured sheet"]
    assert np.allclose(view.series[0].interval - view.series[0].centre[:, None], [-0.5, 0.5])
    assert sum(len(one.dots) for one in view.series) == 30
    assert "95 % confidence intervals of it, each by itself" in view.caption
    bare = views.measured_view(study, STRENGTH, _prints(study), predict, None, None)
    assert np.isnan(bare.series[0].interval).all() and "intervals" not in bare.caption


@pytest.mark.parametrize(("met", "of"), [(0, 10), (3, 12), (12, 12)])
def test_share_interval_leaves_the_stated_tail_on_each_side(met, of):
    """Clopper and Pearson (1934): each limit is the share at which the count or a more extreme one has chance 0.025."""
    low, high = views.share_interval(met, of, 0.95)
    assert low == 0 if met == 0 else stats.binom.sf(met - 1, of, low) == pytest.approx(0.025)
    assert high == 1 if met == of else stats.binom.cdf(met, of, high) == pytest.approx(0.025)


def test_no_prints_give_no_share():
    assert np.isnan(views.share_interval(0, 0, 0.95)).all()


def test_shares_are_over_the_factor_that_moves_them_most():
    prints = _prints()
    met = (prints.settings["bed_surface"] == "textured sheet").to_numpy(dtype=float)
    view = views.share_view(STUDY, GRADE, views.Prints(prints.settings, met), 0.95)
    assert view.labels[0] == "bed surface" and view.is_share
    assert np.nanmin(view.series[0].centre) == 0 and np.nanmax(view.series[0].centre) == 1
    assert "at least 4 on each print" in view.caption and "Clopper and Pearson" in view.caption


def test_shares_are_split_only_where_the_parts_hold_enough_prints():
    study = samples.study((samples.FACTORS[3], samples.FACTORS[0]))
    few = views.share_view(study, LID, _prints(study, np.arange(30) % 2), 0.95)
    many = samples.design(study, prints=90)
    settings = pd.DataFrame({factor.name: many.runs[f"target.{factor.name}"] for factor in study.factors})
    split = views.share_view(study, LID, views.Prints(settings, np.arange(90) % 2.0), 0.95)
    assert len(few.series) == 1
    assert len(split.series) > 1
