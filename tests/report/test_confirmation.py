"""What is shown of a trial: both states on page one, the power in a sentence, the prints beside their intervals."""

from dataclasses import replace

from doe.recommend.confirmation import (
    Catch,
    Confirmation,
    Counted,
    Forecast,
    Judgement,
    Mean,
    Outcome,
    Print,
    Single,
    SinglePrint,
    Updated,
)
from doe.report import confirmation as shown

SINGLES = (
    SinglePrint("P31V", "L09Y", "B", 30.82, 25.7, 36.6, "inside"),
    SinglePrint("P32X", "L10E", "A", 24.11, 26.2, 37.1, "below"),
)
NEED = "at least 26 MPa on each coupon"
OUTCOME = Outcome("z_strength", "MPa", NEED, 2, 31.4, 28.7, 34.1, 27.465, "below", SINGLES, 10, 3, True)
COUNTED = (
    Counted("completion", "completes", 1, 3, False),
    Counted("bed_grade", "at least 4 on each print", 0, 2, False),
)
JUDGED = Judgement(
    study="clip", confirmation=1, recommendation=2, verdict="not confirmed", reasons=("z_strength fell",), remarks=(),
    next="look", override="", simulated=False, aims=False, outcomes=(OUTCOME,), counted=COUNTED, planned=3,
    without=(("P33A", "detached"),), updated=None, inputs={},
)  # fmt: skip
CATCHES = tuple(
    Catch(loads, sds, 1.25 * sds, min(0.99, 0.1 * loads * sds / 3)) for loads in range(3, 13) for sds in (2.0, 3.0)
)
FORECAST = Forecast(
    "z_strength", "MPa", NEED, "low", 5, 0.95, 31.4, 1.25, (Mean(1, 26.0, 37.0), Mean(2, 27.2, 35.5)),
    (Single("P31V", 31.2, 25.7, 36.6),), CATCHES, None,
)  # fmt: skip
PLANNED = Confirmation(
    "clip", 1, 2, "0" * 64, "", False, 2, 3, 6, 8, 0.95, {}, (Print("P31V", "L09Y", "B"),) * 6, (FORECAST,), (), None,
    False, "The rule.", (), "doe sheet", {},
)  # fmt: skip


def rows_of(table):
    return dict(table.rows)


class TestState:
    def test_a_hypothesis(self):
        found = rows_of(shown.state_table(3, None, None))
        assert found == {
            "by data": "recommendation 3 is a hypothesis: no prints have tried it",
            "by a person": "not released",
        }
        assert rows_of(shown.state_table(None, None, None))["by data"] == "no recommendation"

    def test_judged_and_released(self):
        found = rows_of(shown.state_table(2, JUDGED, None))
        assert found["by data"] == "recommendation 2 is not confirmed: z strength fell"
        good = replace(JUDGED, verdict="confirmed", override="known curvature")
        found = rows_of(shown.state_table(2, good, {"by": "A. Person", "when": "2026-11-25T10:00:00Z"}))
        assert found["by a person"] == "released by A. Person on 2026-11-25"
        assert found["overridden"] == "known curvature"

    def test_confirmed_stands_beside_what_would_have_been_caught(self):
        good = replace(JUDGED, verdict="confirmed", outcomes=(replace(OUTCOME, prints=4),))
        caught = shown.caught_changes(PLANNED, good)
        assert caught == ("in z strength a drop of 3.8 MPa (3 standard deviations of a new print) with 40 %",)
        said = caught[0] + "; a smaller one may have gone unseen"
        assert rows_of(shown.state_table(2, good, None, caught=caught))["what it would have caught"] == said
        assert "what it would have caught" not in rows_of(shown.state_table(3, good, None, ended=True, caught=caught))

    def test_nothing_is_said_of_it_where_it_is_not_confirmed_or_too_few_prints_counted(self):
        assert shown.caught_changes(PLANNED, JUDGED) == ()
        assert shown.caught_changes(PLANNED, replace(JUDGED, verdict="confirmed")) == ()  # 2 prints
        aside = replace(JUDGED, verdict="confirmed", outcomes=(replace(OUTCOME, prints=4, judged=False),))
        assert shown.caught_changes(PLANNED, aside) == ()

    def test_what_no_longer_holds(self):
        found = rows_of(shown.state_table(3, JUDGED, "the release of 2026-11-25 by A. Person ended", ended=True))
        assert found["by a person"] == "not released; the release of 2026-11-25 by A. Person ended"
        found = rows_of(shown.state_table(3, JUDGED, None, ended=True))
        assert found["by data"].startswith(
            "recommendation 3 is a hypothesis: confirmation 1 (not confirmed) no longer holds"
        )


def test_the_power_is_a_sentence():
    sentence, proposal = shown.power_sentences(PLANNED)
    assert sentence == (
        "z strength: this confirmation would catch a drop of 2.5 MPa (2 standard deviations of a new print) with 40 % and a "
        "drop of 3.8 MPa (3 standard deviations of a new print) with 60 %."
    )
    assert proposal.startswith("8 single-print loads are the fewest")
    blind = replace(FORECAST, catches=tuple(replace(one, chance=0.5) for one in CATCHES))
    said = shown.power_sentences(replace(PLANNED, forecasts=(blind,), proposed=None))[-1]
    assert said.startswith("No number of loads up to 12 catches a change for the worse of three standard deviations")


def test_prints_that_may_fail_are_in_the_proposal():
    said = shown.power_sentences(replace(PLANNED, proposed=10, completion_lower=0.8019))[-1]
    assert said.startswith("10 single-print loads are proposed: it takes 8 completed prints to catch")
    assert "as few as 80.1 % of prints may complete at this setting (lower bound)" in said
    said = shown.power_sentences(replace(PLANNED, proposed=None, completion_lower=0.1))[-1]
    assert said.startswith("It takes 8 completed prints") and "even 50 loads may not do" in said


def test_a_target_may_be_missed_to_both_sides():
    both = replace(PLANNED, forecasts=(replace(FORECAST, bad_side="both"),))
    assert "would catch a change of 2.5 MPa" in shown.power_sentences(both)[0]


def test_the_plan_shows_intervals_and_chances():
    intervals, chances = shown.forecast_tables(PLANNED)
    assert intervals.rows == (
        ("z strength, MPa", "31.4", "27.2 to 35.5", "25.7 to 36.6", "at least 26 MPa on each coupon"),
    )
    assert chances.columns[2:] == ("3 loads", "4 loads", "6 loads", "8 loads", "10 loads", "12 loads")
    assert chances.rows[1][1:4] == ("3.8 (3 sd)", "30 %", "40 %")


def test_the_judgement_shows_means_prints_counts_and_what_is_left_out():
    means, prints, counts, without = shown.judgement_tables(JUDGED)
    assert means.title == "Confirmation 1: not confirmed"
    assert means.rows == (("z strength, MPa", "2", "31.4", "28.7 to 34.1", "27.5", "below", "7 of 10"),)
    assert [row[1:] for row in prints.rows] == [
        ("P31V", "L09Y", "B", "30.8", "25.7 to 36.6", "inside"), ("P32X", "L10E", "A", "24.1", "26.2 to 37.1", "below"),
    ]  # fmt: skip
    assert counts.rows[0] == ("completes", "2 of 3", "some failed")
    assert without.rows == (("P33A", "detached"),)


SHARE = {
    "estimate": 0.9999, "lower": 0.9991, "level": 0.95, "required": 0.9, "by_response": {"z_strength": 0.9999}, "method": "",
    "correlated": None, "correlations": {}, "by_printer": {}, "common_setpoint": {},
}  # fmt: skip


def judged_anew(level=0.95, missed=0):
    outcome = replace(OUTCOME, prints=6, values=30, missed=missed, place="inside")
    counted = (Counted("completion", "completes", 1, 7, False), Counted("bed_grade", "at least 4", 0, 6, False))
    updated = Updated((), {**SHARE, "level": level}, None)
    return replace(JUDGED, outcomes=(outcome,), counted=counted, updated=updated)


class TestTheShareFromAllPrints:
    def test_it_says_what_is_left_out_and_what_counting_alone_shows(self):
        (said,) = shown.renewed(judged_anew())
        assert "of prints that complete meet every measured requirement, with 95 % confidence at least 99.9 %: that share" in said
        # 0.05 ** (1 / 6) = 0.607, Clopper and Pearson, Biometrika 1934: all of 6 good
        assert "shown if prints scatter normally about the model (by counting alone, 6 of 6 prints show at least 60.6 %)" in said
        assert said.endswith("; not in it: completion (6 of 7) and bed grade (6 of 6)")

    def test_what_is_not_shown_is_not_even_with_normal_scatter(self):
        found = judged_anew()
        short = replace(found, updated=Updated((), {**SHARE, "lower": 0.5}, None))
        assert "that share is not shown even if prints scatter normally" in shown.renewed(short)[0]

    def test_one_value_that_misses_is_not_counted_as_good(self):
        assert "by counting" not in shown.renewed(judged_anew(missed=1))[0]

    def test_a_lower_confidence_is_explained(self):
        why = "90 %, since one response decides: so often the bound holds then"
        found = judged_anew(level=0.9)
        assert f"with 90 % confidence at least 99.9 % ({why}): that share is shown" in shown.renewed(found)[0]
        assert why not in shown.renewed(judged_anew())[0]
        assert why in shown.updated_tables(found.updated)[0].note
        assert why not in shown.updated_tables(judged_anew().updated)[0].note
