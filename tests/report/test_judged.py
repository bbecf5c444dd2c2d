import dataclasses
import json

import pytest

from doe.model.results import JudgedColumn, JudgedFit, JudgedSetting
from doe.report import front, judged, screens, sections
from doe.verdicts import Verdict
from tests.report import samples

STUDY = samples.study()
FIT = JudgedFit(
    response="bed_grade", kind="graded", requirement="at least 4 on each print", unit="print", method="proportional odds",
    level=0.95, terms=("intercept", "bed_temperature"), prints=28, loads=8, values=28, failed=1,
    columns=(JudgedColumn("intercept, grade 4 or better", 0.4, -0.7, 1.5), JudgedColumn("bed_temperature", 2.104, 1.1, 3.1)),
    settings=(JudgedSetting(1, "bed_temperature 70 °C", 4, 3, 1, 0.8741, 0.5729, 0.9996),),
    load_sd=0.531, proportionality={"statistic": 8.93, "dof": 8, "p": 0.35}, untested="", excluded=(("P04A", "detached"),),
    verdicts=(Verdict("grades not seen", "no print got grade 0", "judge whether the scale suits the prints", "bed_grade"),),
)
BARE = dataclasses.replace(
    FIT, method="counts only", columns=(), load_sd=None, proportionality=None, untested="there is no model",
    settings=(JudgedSetting(1, "bed_temperature 70 °C", 4, 3, 1, None, None, None),),
)


def with_judged(fit):
    return dataclasses.replace(samples.fit(STUDY), judged=(fit,))


def test_coefficients_are_named_as_changes_of_the_log_odds():
    table = judged.judged_columns(FIT)
    assert table.columns[1] == "Change of the log odds of a better grade"
    assert table.rows[1] == ("bed temperature", "2.1", "1.1 to 3.1")
    assert "28 values from 28 prints in 8 drying loads" in table.note
    assert judged.judged_columns(dataclasses.replace(FIT, kind="pass_fail")).columns[1].endswith("log odds of passing")


def test_a_coefficient_without_limits_is_shown_without():
    table = judged.judged_columns(dataclasses.replace(FIT, columns=(JudgedColumn("intercept", 0.4, None, None),)))
    assert table.rows == (("intercept", "0.4000", "n/a"),)


def test_chances_say_what_they_are_of_and_how_far_their_intervals_can_be_trusted():
    table = judged.judged_chances(FIT)
    # 0.9996 is above 99.9 %: an upper limit below one is never shown as 100 %
    assert table.rows == (("bed temperature 70 °C", "3 of 4", "1", "87.4 %", "57.2 % to > 99.9 %"),)
    assert "Chance that a print on a load taken at random meets the requirement (at least 4 on each print)" in table.note
    for one in (table, judged.judged_columns(FIT)):
        assert "92 to 98 %" in one.note and "up to 1.8 logits." in one.note


def test_the_test_of_equal_effects_or_why_there_is_none():
    facts = dict(judged.judged_facts(FIT).rows)
    assert facts["failed prints, whose values do not count"] == "1"
    assert facts["standard deviation of loads, log odds"] == "0.53"
    assert facts["test of equal effects at every grade"].startswith("chi-square 8.93 with 8 degrees of freedom, p 0.35")
    assert dict(judged.judged_facts(BARE).rows)["test of equal effects at every grade"] == "none: there is no model"
    passed = dataclasses.replace(BARE, kind="pass_fail")
    assert "test of equal effects at every grade" not in dict(judged.judged_facts(passed).rows)


def test_without_a_model_only_the_counts_are_shown():
    assert judged.judged_columns(BARE).rows == () and judged.judged_chances(BARE).rows == ()
    titles = [table.title for table in screens.fit_tables(STUDY, with_judged(BARE))]
    assert "Seen at each setting: bed grade" in titles and "Model of bed grade" in titles
    assert not any(title.startswith(("Chance", "Coefficients of bed grade")) for title in titles)


def test_the_terminal_shows_model_and_verdicts():
    tables = screens.fit_tables(STUDY, with_judged(FIT))
    assert "Chance of meeting the requirement: bed grade" in [table.title for table in tables]
    assert ("grades not seen", "bed grade") in [row[:2] for row in tables[-1].rows]


@pytest.mark.usefixtures("undrawn")
def test_the_report_holds_the_same_tables_and_counts_the_verdict():
    inputs = samples.inputs(STUDY, fit=with_judged(FIT))
    blocks = sections.document(inputs)["sections"][5]["blocks"]
    titles = [block["title"] for block in blocks if block["kind"] == "table"]
    assert titles[:6] == [
        "Seen at each setting: bed grade", "Coefficients of bed grade, log odds",
        "Chance of meeting the requirement: bed grade", "Model of bed grade", "Not in the model of bed grade", "Verdicts",
    ]
    json.dumps(blocks, allow_nan=False)
    assert FIT.verdicts[0] in front.all_verdicts(inputs)
