import dataclasses
import json

import numpy as np
import pytest

from doe.report import front, model_section, sections
from doe.report.inputs import TrialState
from doe.verdicts import Verdict
from tests.report import samples
from tests.report.test_confirmation import JUDGED

ORDER = [
    "Question and requirements", "Plan and why it was chosen", "Deviations, failures and amendments", "Data",
    "Models of the measured responses", "Graded and pass-fail responses",
    "Recommendation", "Confirmation", "Sensitivity", "Cautions", "Terms", "Provenance",
    "Appendix: every value",
]


@pytest.fixture(scope="module")
def made():
    return sections.document(samples.inputs())


def _texts(value):
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, item in value.items():
            if key != "svg":
                yield from _texts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts(item)


def _section(made, title):
    return next(one["blocks"] for one in made["sections"] if one["title"] == title)


def _all(made):
    return "\n".join(_texts(made)).replace("\N{NO-BREAK SPACE}", " ")


def test_the_document_is_json_in_the_promised_order(made):
    assert [section["title"] for section in made["sections"]] == ORDER
    assert json.loads(json.dumps(made, allow_nan=False)) == made


def test_page_one_holds_the_answer(made):
    answer = _all(made["answer"])
    for part in ("Recommended setting", "Set on A", "an estimated 94.1 %", "Open verdicts", "Next step: plan confirmation"):
        assert part in answer
    assert made["digests"] == [["study", sections.study_digest({})], ["log head", "ab" * 32]]
    assert ["State", "recommendation 1: a hypothesis until prints confirm it"] in made["facts"]


def test_page_one_shows_the_first_verdicts_and_counts_the_rest(made):
    table = next(block for block in made["answer"] if block.get("title") == "Open verdicts")
    names = list(dict.fromkeys(one.name for one in front.all_verdicts(samples.inputs())))
    assert [row[0] for row in table["rows"]] == names[:6] == [
        "lack of fit", "conformance not shown", "failed prints", "few load error degrees of freedom",
        "load variance not resolvable",
    ]
    more = f"And {len(names) - 6} more, none graver. " if len(names) > 6 else ""
    assert table["note"] == f"{more}Causes and what to do: sections 2, 3, 5, 6 and 7."


def test_every_verdict_is_listed_once():
    found = front.all_verdicts(samples.inputs())
    assert len(found) == len(set(found)) == 7


@pytest.mark.usefixtures("undrawn")
def test_simulated_and_exploratory_are_loud(made):
    study = samples.study(simulated=True)
    loud = sections.document(samples.inputs(study, fit=samples.fit(study, exploratory=True)))
    assert loud["simulated"] is True
    assert loud["loud"] == [sections.SIMULATED, sections.EXPLORATORY]
    assert made["simulated"] is False and made["loud"] == []


@pytest.mark.usefixtures("undrawn")
def test_without_a_recommendation_the_report_says_so():
    made = sections.document(samples.inputs(recommendation=None))
    assert "No setting is recommended" in _all(made["answer"])
    assert _all(made["sections"][6]).endswith("No setting is recommended.")
    assert ["State", "fitted, without a recommendation"] in made["facts"]


def test_each_measured_response_has_a_model_and_a_figure(made):
    blocks = made["sections"][4]["blocks"]
    figures = [block for block in blocks if block["kind"] == "figure"]
    assert [block["text"] for block in blocks if block["kind"] == "heading"] == ["z strength, MPa", "warp, mm"]
    assert all(block["svg"].startswith("<?xml") for block in figures)
    assert [block["alt"].partition(".")[0] for block in figures] == ["List of intervals", "Contour plot"] * 2


def test_a_log_response_is_drawn_in_its_own_units():
    study = samples.study(responses=(samples.RESPONSES[0].model_copy(update={"transform": "log"}),))
    inputs = samples.inputs(study)
    prints = model_section._measured_prints(inputs, study.responses[0])
    assert 20 < prints.values.min() < prints.values.max() < 40


def test_a_counted_response_has_its_counts_a_figure_and_what_is_missing(made):
    section = made["sections"][5]
    assert "A failed print has no grade" in _all(section)
    assert [block["kind"] for block in section["blocks"]].count("figure") == 2


@pytest.mark.usefixtures("undrawn")
def test_grades_without_a_requirement_have_no_figure():
    bare = samples.RESPONSES[2].model_copy(update={"at_least": None})
    section = sections.document(samples.inputs(samples.study(responses=(bare,))))["sections"][5]
    assert [block["kind"] for block in section["blocks"]].count("figure") == 0


def test_a_print_with_several_grades_meets_where_all_of_them_do():
    grade = samples.RESPONSES[2].model_copy(update={"per": "coupon", "coupons": 2})
    study = samples.study(responses=(grade,))
    inputs = samples.inputs(study)
    coupons = inputs.record.coupons.assign(bed_grade=[4.0, 5.0, 4.0, 3.0] + [5.0] * 56, outcome="completed")
    record = dataclasses.replace(inputs.record, coupons=coupons)
    prints = sections._counted_prints(dataclasses.replace(inputs, record=record), grade)
    assert prints.values[:3].tolist() == [1, 0, 1]


def test_the_figure_of_grades_leaves_out_prints_that_failed():
    inputs = samples.inputs(samples.study())
    prints = inputs.record.prints.copy()
    prints.loc[prints["print"] == "P04A", "bed_grade"] = 0.0  # detached, and graded all the same
    graded = sections._counted_prints(dataclasses.replace(inputs, record=dataclasses.replace(inputs.record, prints=prints)),
                                      samples.RESPONSES[2])
    assert len(graded.values) == 28


@pytest.mark.usefixtures("undrawn")
def test_no_measured_response_and_no_caution_still_make_a_report():
    study = samples.study(responses=(samples.RESPONSES[2],))
    made = sections.document(samples.inputs(study, recommendation=None, cautions=(), log=()))
    assert "No measured response was fitted." in _all(made["sections"][4])
    assert [block["kind"] for block in _section(made, "Cautions")] == ["strong"]


def test_the_data_sheet_and_people_prevail(made):
    assert _section(made, "Cautions")[0]["text"] == sections.PREVAIL
    assert all(part in sections.PREVAIL for part in ("safety data sheet", "local codes", "qualified people"))


@pytest.mark.usefixtures("undrawn")
def test_texts_hold_only_letters_that_can_be_set_and_long_words_can_break():
    title = "表面 \u202e[31m " + "x" * 100  # a study file with such a letter is refused; a report must not depend on that
    study = samples.study()
    study = study.model_copy(update={"header": study.header.model_copy(update={"title": title})})
    made = sections.document(samples.inputs(study))
    assert made["title"].startswith("[U+8868][U+9762] [31m ")
    assert max(len(word) for word in made["title"].replace("\u200b", " ").split()) <= 18
    digests = next(block for block in _section(made, "Provenance") if block.get("title") == "Files")
    assert digests["rows"][0][1] == "01" * 32 and digests["mono"] == [1]


def test_numbers_stay_with_their_signs_and_units(made):
    table = next(block for block in made["sections"][4]["blocks"] if block.get("title", "").startswith("Coefficients"))
    assert table["rows"][0][3] == "26.40\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}27.90"
    assert "94.1\N{NO-BREAK SPACE}%" in made["answer"][1]["text"]


@pytest.mark.usefixtures("undrawn")
def test_a_wide_run_table_lies_on_its_side():
    factors = tuple(samples.FACTORS[0].model_copy(update={"name": f"factor_{i}"}) for i in range(12))
    study = samples.study(factors)
    blocks = sections.document(samples.inputs(study))["sections"][1]["blocks"]
    assert [block["wide"] for block in blocks if block.get("title") == "Run table"] == [True]


@pytest.mark.usefixtures("undrawn")
def test_intervals_are_used_where_levels_are_drawn():
    study = samples.study((samples.FACTORS[0], samples.FACTORS[3]))
    wide = {"z_strength": lambda settings: np.tile([20.0, 30.0], (len(settings["bed_surface"]), 1))}
    blocks = sections.document(samples.inputs(study, interval=wide))["sections"][4]["blocks"]
    alts = [block["alt"] for block in blocks if block["kind"] == "figure" and block["alt"].startswith("Level plot")]
    assert "(20.0 to 30.0)" in alts[0] and "(20.0 to 30.0)" not in alts[1]


@pytest.mark.usefixtures("undrawn")
def test_the_workbooks_that_the_report_does_not_carry_are_named_with_their_digests():
    files = {"study.toml": "01" * 32, "sheets/round-1.xlsx": "67" * 32}
    inputs = samples.inputs(files=files, attachments={"study.toml": b"x"})
    blocks = _section(sections.document(inputs), "Provenance")
    (table,) = [one for one in blocks if one.get("title") == "Not attached: keep with this report"]
    assert table["rows"] == [["sheets/round-1.xlsx", "67" * 32]]
    assert any("workbooks of the operators are not attached" in one.get("text", "") for one in blocks)
    plain = _section(sections.document(samples.inputs()), "Provenance")
    assert not any("not attached" in one.get("text", "") for one in plain)


def test_a_judgement_leaves_room_for_fewer_verdicts_on_page_one():
    many = [Verdict(f"an old name {number}", "", "") for number in range(9)]
    inputs = samples.inputs()
    inputs = dataclasses.replace(inputs, recommendation=dataclasses.replace(inputs.recommendation, verdicts=tuple(many)))
    judged = dataclasses.replace(inputs, trial=TrialState(judgement=JUDGED))
    shown = [
        next(block for block in front.blocks(one) if block.get("title") == "Open verdicts") for one in (inputs, judged)
    ]
    assert [len(table["rows"]) for table in shown] == [6, 5]
    assert [table["note"].split(",")[0] for table in shown] == ["And 7 more", "And 8 more"]  # four of the fit and the plan
