"""What the engineer reads of a recommendation, where the figures are at an end of what can be."""

import dataclasses

import pytest

from doe.recommend.results import Beside, Setting
from doe.report import front, location, pieces, recommended, window
from doe.verdicts import Verdict
from tests.report import samples
from tests.report.test_location import PATH, PLACE, SHAPE
from tests.report.test_window import FOUND, NOZZLE


@pytest.fixture(scope="module")
def advice():
    return samples.inputs().recommendation


def test_one_near_optimal_value_is_no_range(advice):
    only = dataclasses.replace(advice, settings=(Setting("nozzle_temperature", "°C", 290.0, (290.0, 290.0)),), printers=())
    assert recommended.setting_table(only).rows == (("nozzle temperature", "°C", "290", "only 290"),)


def test_the_star_says_of_each_factor_whether_a_verdict_asks_for_its_reading(advice):
    both = [row[0] for row in recommended.setting_table(advice).rows if any(cell.endswith("*") for cell in row[4:])]
    assert both == ["bed temperature", "drying time"]
    unread = Verdict("setpoint not checked", "no probe has read bed_temperature", "read it", "bed_temperature")
    one = dataclasses.replace(advice, verdicts=(unread,))
    star = "* No reference probe has checked this factor on this printer: the setpoint is the setting itself."
    said = "No verdict asks for readings of drying time."
    assert recommended.setting_table(one).note == f"{star} {said}"
    all_of = dataclasses.replace(unread, about="bed_temperature, drying_time")
    assert recommended.setting_table(dataclasses.replace(advice, verdicts=(all_of,))).note == star


def test_no_estimate_is_all_or_none(advice):
    sure = dataclasses.replace(advice.conformance, estimate=1.0, lower=1.0, by_response={"z_strength": 1.0})
    found = dataclasses.replace(advice, conformance=sure)
    rows = dict(recommended.conformance_rows(found).rows)
    assert rows["estimate"] == "> 99.9 %"
    assert "z strength alone" not in rows  # it would be the estimate again
    assert "an estimated > 99.9 % meet" in recommended.answer(found, 0.95)
    assert "at least 99.9 % do" in recommended.answer(found, 0.95)


def test_page_one_says_what_the_share_does_not_count(advice):
    """A manager who reads nothing else must not take the share for that of all prints, or of all requirements."""
    completes = Beside("completion", "a coupon of a new print is printed", 0.966, 0.736, 1.0, 0.789)
    graded = Beside("bed_grade", "a print has it at least 4", 0.936, 0.447, 0.996, None)
    counted = dataclasses.replace(advice, beside=(completes, graded), not_modelled=("bed_grade", "seal"))
    assert (
        " do, not counting whether a print completes (an estimated 96.6 %, with 95 % confidence at least 78.9 %), or meets bed"
        " grade (an estimated 93.6 %, 95 % interval 44.7 % to 99.6 %), or meets seal (counted, not modelled). The study asks for"
    ) in recommended.answer(counted, 0.95)
    hardly = dataclasses.replace(counted, conformance=dataclasses.replace(advice.conformance, estimate=0.001, lower=0.0))
    assert "not counting whether a print completes (an estimated 96.6 %" in recommended.answer(hardly, 0.95)
    assert "not counting" not in recommended.answer(dataclasses.replace(advice, beside=(), not_modelled=()), 0.95)
    inputs = samples.inputs()
    shown = front.blocks(dataclasses.replace(inputs, recommendation=dataclasses.replace(advice, beside=(completes,))))
    (said,) = [one for one in pieces.texts(shown) if "not counting whether a print completes" in one]
    assert "meet every measured requirement" in said  # in the same sentence


def test_page_one_says_for_which_requirements_the_share_is_shown(advice):
    """The question asks for every requirement, and the bound covers the measured ones alone."""
    shown = dataclasses.replace(advice.conformance, lower=0.93, by_response={"z_strength": 0.99, "warp": 0.97})
    completes = Beside("completion", "a coupon of a new print is printed", 0.966, 0.736, 1.0, 0.789)
    graded = Beside("bed_grade", "a print has it at least 4", 0.936, 0.447, 0.996, None)
    found = dataclasses.replace(advice, conformance=shown, beside=(completes, graded), not_modelled=("bed_grade",))
    said = recommended.answer(found, 0.95)
    where = ", for the printers, lots and ovens of this study"
    assert said.endswith(
        f"These data show it for z strength and warp{where}; not for completion and bed grade (lower limits below"
        " 90 %)."
    )
    # the lower bound counts where there is one, else the lower end of the interval; 90 % itself reaches it
    sure = dataclasses.replace(completes, low=0.7, lower=0.9)
    said = recommended.answer(dataclasses.replace(found, beside=(sure, graded)), 0.95)
    assert f"and singly for completion{where}; not for bed grade (lower limit below 90 %)." in said
    both = dataclasses.replace(found, beside=(sure, dataclasses.replace(graded, low=0.95)))
    assert recommended.answer(both, 0.95).endswith(f"and singly for completion and bed grade{where}.")
    counted = dataclasses.replace(found, beside=(), not_modelled=("seal",))
    assert recommended.answer(counted, 0.95).endswith(f"warp{where}; seal: only counted, nothing is shown.")
    alone = dataclasses.replace(found, beside=(), not_modelled=())
    assert recommended.answer(alone, 0.95).endswith(f"These data show it{where}.")


def test_a_setting_that_does_not_do_is_not_called_recommended(advice):
    short = dataclasses.replace(advice, conformance=dataclasses.replace(advice.conformance, estimate=0.017, lower=0.001))
    tables = recommended.recommendation_tables(short, 0.95)
    assert tables[0].title == "Best setting found, which does not meet the requirements"
    assert tables[1].title == "Setpoints of printer A: best setting found, does not meet the requirements"
    inputs = dataclasses.replace(samples.inputs(), recommendation=short)
    texts = [*pieces.texts(front.blocks(inputs)), *(text for pair in front.facts(inputs) for text in pair)]
    assert "recommendation 1: the best setting found does not meet the requirements" in texts
    assert any("is the best setting found, which does not meet the requirements: no prints have tried it" in one for one in texts)
    assert not [one for one in texts if "hypothesis" in one or one == "Recommended setting"]
    assert [one.title for one in recommended.recommendation_tables(advice, 0.95)[:2]] == [
        "Recommended setting", "Setpoints of printer A",
    ]


def test_what_conformance_is_stands_below_its_figures(advice):
    table = recommended.conformance_rows(advice)
    assert table.note == advice.conformance.method
    assert all(len(value) < 120 for _, value in table.rows)


def test_what_ends_both_sides_is_said_once():
    both = dataclasses.replace(NOZZLE, ends=("bound", "bound"))
    (row,) = window.window_table(dataclasses.replace(FOUND, reaches=(both,))).rows
    assert row[-1] == "both ends: the bound is too low"


def test_a_window_of_one_setting_is_one():
    one = dataclasses.replace(FOUND, settings=1, checked=1, complete=True)
    assert "The only setting of the increments in it was evaluated." in window.window_table(one).note


def test_a_level_point_far_out_gives_no_setting_to_print():
    far = dataclasses.replace(SHAPE, point={"nozzle_temperature": 315.0, "drying_time": 9.4}, inside=False)
    facts = dict(location.shape_table(dataclasses.replace(PLACE, shape=far), 0.95).rows)
    assert facts["level point"] == "far outside of what was looked at, so no setting to print"
    assert "mean there" not in facts
    beside = dataclasses.replace(far, point={"nozzle_temperature": 299.0, "drying_time": 9.4})
    facts = dict(location.shape_table(dataclasses.replace(PLACE, shape=beside), 0.95).rows)
    assert facts["level point"].startswith("nozzle temperature 299 °C") and "mean there" in facts


def test_steps_of_the_path_that_cannot_be_told_apart_are_one():
    again = dataclasses.replace(PATH[1], distance=1.1, settings={"nozzle_temperature": 285.2, "drying_time": 9.4})
    table = location.path_table(dataclasses.replace(PLACE, path=(*PATH, again)))
    assert len(table.rows) == 2


def test_all_draws_are_all_draws():
    end = dataclasses.replace(PLACE.places[0], at_to=1.0, low=285.0, high=285.0)
    row = location.place_table(dataclasses.replace(PLACE, places=(end,)), 0.95).rows[0]
    assert row[3] == "only 285" and row[5] == "at its upper end in all draws"
