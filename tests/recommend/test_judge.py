"""The judgement of a confirmation: what decides against it, what leaves it open, and what is missing before it can be made."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.recommend.confirmation import CONFIRMED, INCONCLUSIVE, NOT_CONFIRMED
from doe.recommend.judge import judge, not_ready
from doe.study import scale
from tests.recommend.test_choose import make_study
from tests.recommend.test_updated import AIM, BY_PRINT, tried

WHY = "strength has no intervals from all prints"
STUDY = make_study(responses=[{**BY_PRINT, "at_least": 24.0}], model={"terms": "quadratic"})


@pytest.fixture(scope="module")
def planned():
    """Return plan, record and confirmation without loads: one stratum, print standard deviation 0.3, mean 25 at the setting."""
    return tried(STUDY, [None] * 18, sd=(0.0, 0.3, 0.0))


def with_prints(planned, study=STUDY, **columns):
    """Judge the four confirmation prints with some of their columns changed."""
    design, record, confirmation = planned
    mine = record.prints["print"].isin([one.print for one in confirmation.prints])
    prints = record.prints.copy()
    for name, values in columns.items():
        if name not in prints:
            prints[name] = np.nan
        prints.loc[mine, name] = values
    return judge(study, design, replace(record, prints=prints), confirmation, WHY)


def test_the_interval_is_that_of_least_squares_widened_for_the_choice(planned):
    design, record, _ = planned
    found = with_prints(planned)
    (one,) = found.outcomes
    assert (found.verdict, one.place, one.prints, one.missed) == (CONFIRMED, "inside", 4, 0)
    assert one.mean == pytest.approx(np.mean([24.9, 25.2, 25.0, 24.8]))
    assert found.next.startswith("doe release")
    # Mean of 4 new prints: s sqrt(h + 1/4) with Student's t, and at least that, since the setting was chosen.
    at = scale.coded(STUDY, {name: design.runs[f"target.{name}"] for name in ("nozzle", "drying")})
    X = np.column_stack([np.ones(22), at, at[:, 0] * at[:, 1], at**2])
    beta, (rss,) = np.linalg.lstsq(X[:18], record.prints["strength"].to_numpy(float)[:18], rcond=None)[:2]
    h = X[-1] @ np.linalg.inv(X[:18].T @ X[:18]) @ X[-1]
    reach = stats.t.isf(0.025, 12) * np.sqrt(rss / 12 * (h + 1 / 4))
    assert one.estimate == pytest.approx(X[-1] @ beta)
    assert one.low < one.estimate - reach and one.estimate + reach < one.high


def test_a_mean_on_the_bad_side_is_not_confirmed(planned):
    found = with_prints(planned, strength=[23.0, 23.1, 22.9, 23.0])
    assert found.verdict == NOT_CONFIRMED
    assert found.reasons[0].startswith("strength: the mean of 4 prints, 23 MPa, lies below its prediction interval")
    assert any("the mean itself, 23 MPa, misses" in reason for reason in found.reasons)
    assert "find out what changed since the first prints" in found.next and "strength" in found.next


def test_a_mean_beyond_the_good_side_leaves_it_open(planned):
    found = with_prints(planned, strength=[28.0, 28.1, 27.9, 28.0])
    assert found.verdict == INCONCLUSIVE
    assert "is better than its prediction interval" in found.reasons[0]
    assert found.next.startswith("check the instrument and the batch")


def test_a_single_print_outside_its_interval_leaves_it_open(planned):
    found = with_prints(planned, strength=[26.3, 24.6, 24.6, 24.6])
    assert found.outcomes[0].place == "inside" and found.verdict == INCONCLUSIVE
    (reason,) = found.reasons
    assert f"print {found.outcomes[0].singles[0].print}, 26.3 MPa, lies above what a single print may be" in reason
    assert found.next.startswith("find the cause of the prints that stand out")


def test_no_print_completed(planned):
    found = with_prints(planned, outcome="detached", strength=np.nan)
    assert found.verdict == NOT_CONFIRMED
    assert found.reasons[0] == "none of the 4 prints completed"
    assert (found.outcomes[0].place, found.outcomes[0].mean) == ("no value", None)
    assert [reason for _, reason in found.without] == ["detached"] * 4


def test_one_failed_print_of_four_may_be_chance(planned):
    # None of 18 failed before: 1 - P(none of 4) of a beta-binomial (0.5, 18.5) is 0.097, above 2.5 %; of two 0.014.
    found = with_prints(planned, outcome=["completed", "completed", "completed", "warped"], strength=[24.9, 25.2, 25.0, np.nan])
    assert found.verdict == INCONCLUSIVE
    assert found.reasons == ("1 of 4 prints failed: chance, or the setting, and so few prints cannot tell which",)
    assert found.next == "confirm again on new loads: doe confirm"
    found = with_prints(planned, outcome=["completed", "completed", "warped", "warped"], strength=[24.9, 25.2, np.nan, np.nan])
    assert found.verdict == NOT_CONFIRMED
    assert found.reasons[0] == "2 of 4 prints failed, more than the earlier prints let expect"
    assert found.next.startswith("look at the failed prints before anything else")


def test_prints_off_plan_do_not_count_and_too_few_values_leave_it_open(planned):
    found = with_prints(planned, deviation=["off plan", "off plan", "off plan", ""])
    assert [reason for _, reason in found.without] == ["printed at another setting (off plan)"] * 3
    assert found.verdict == INCONCLUSIVE
    assert "strength: 1 of 4 prints gave a value, less than half" in found.reasons


def test_what_could_not_be_computed_anew_and_doubts_are_remarks(planned):
    found = with_prints(planned, deviation=["", "suspect", "", ""])
    doubted = planned[2].prints[1].print
    assert found.remarks == (f"marked suspect and kept: {doubted}", f"the bound was not computed anew: {WHY}")
    assert found.updated is None


def doubted(planned, names):
    """Judge the prints of a confirmation where the strength of some was tested after its instrument was due."""
    design, record, confirmation = planned
    why = dict.fromkeys(names, "instrument UTM-1 was due 2026-03-31")
    return judge(STUDY, design, replace(record, doubts={"strength": why}), confirmation, WHY)


def test_prints_whose_values_are_all_in_doubt_bear_nothing_out(planned):
    names = [one.print for one in planned[2].prints]
    found = doubted(planned, names)
    assert found.verdict == INCONCLUSIVE
    assert found.reasons == (
        "strength: all 4 values are in doubt (instrument UTM-1 was due 2026-03-31), so that these prints bear nothing out",
    )
    assert "find out about what is in doubt" in found.next and "due day" in found.next
    everything = [*planned[1].prints["print"]]
    assert doubted(planned, everything).reasons == found.reasons  # those of earlier prints are the fit's affair


def test_prints_of_which_some_values_are_in_doubt_name_them(planned):
    first = planned[2].prints[0].print
    found = doubted(planned, [first])
    assert found.verdict == CONFIRMED
    assert found.remarks[0] == f"strength: 1 of 4 values is in doubt (instrument UTM-1 was due 2026-03-31): {first}"


def test_prints_of_which_less_than_half_have_a_sound_value_bear_nothing_out(planned):
    names = [one.print for one in planned[2].prints]
    assert doubted(planned, names[:2]).verdict == CONFIRMED
    found = doubted(planned, names[:3])
    assert found.verdict == INCONCLUSIVE and not any("in doubt" in one for one in found.remarks)
    assert found.reasons == (
        "strength: 3 of 4 values are in doubt (instrument UTM-1 was due 2026-03-31), and less than half of the planned prints "
        "(1) have another, so that these prints bear nothing out",
    )


def test_a_bad_mean_stays_not_confirmed_whatever_is_in_doubt(planned):
    design, record, confirmation = planned
    mine = record.prints["print"].isin([one.print for one in confirmation.prints])
    prints = record.prints.assign(strength=record.prints["strength"].where(~mine, 20.0))
    assert doubted((design, replace(record, prints=prints), confirmation), list(prints["print"])).verdict == NOT_CONFIRMED


def test_a_mean_that_its_aim_calls_worthless_leaves_it_open():
    aim = {**AIM, "worthless_below": 24.95, "perfect_at": 30}
    study = make_study(responses=[aim], model={"terms": "quadratic"})
    found = with_prints(tried(study, [None] * 18, sd=(0.0, 0.3, 0.0)), study, strength=[24.9, 24.8, 24.9, 24.8])
    assert found.verdict == INCONCLUSIVE
    assert any("is worth nothing by its aim" in reason for reason in found.reasons)
    assert "look for a region or a material in which strength is worth something" in found.next
    assert found.remarks == (f"the desirability was not computed anew: {WHY}",)


def test_a_print_is_ready_once_each_of_its_tests_has_an_outcome(planned):
    _, record, confirmation = planned
    of_coupons = [{**AIM, "name": name, "per": "coupon", "coupons": 1} for name in ("strength", "peel")]
    study = make_study(responses=of_coupons, model={"terms": "quadratic"})
    names = [one.print for one in confirmation.prints]
    coupons = pd.DataFrame({"coupon": [f"{name}-1" for name in names], "print": names, "number": 1, "outcome": "completed"})
    coupons = coupons.assign(strength=25.0, peel=np.nan, **{"outcome.strength": "", "outcome.peel": ["", *["lost"] * 3]})
    prints = record.prints.assign(outcome="completed").drop(columns="strength")
    found = not_ready(study, confirmation, replace(record, prints=prints, coupons=coupons))
    assert [one.where for one in found] == [f"record/, print {names[0]}, peel"]


def test_what_is_missing_is_said_print_by_print(planned):
    _, record, confirmation = planned
    first, second = (one.print for one in confirmation.prints[:2])
    prints = record.prints.copy()
    prints.loc[prints["print"] == first, ["outcome", "strength"]] = ["", np.nan]
    prints.loc[prints["print"] == second, "strength"] = np.nan
    found = not_ready(STUDY, confirmation, replace(record, prints=prints))
    assert [(one.where, one.found) for one in found] == [
        (f"record/prints.csv, print {first}", "it has no outcome yet"),
        (f"record/, print {second}, strength", "it completed, and no value or outcome of its test is recorded"),
    ]
    assert not_ready(STUDY, confirmation, record) == []
