"""What is said of a record as a whole."""

import dataclasses

import pandas as pd

from doe.model import findings
from doe.verdicts import rank
from tests.report import samples

STUDY = samples.study()
RECORD = samples.record(STUDY, samples.design(STUDY))
(GIVEN,) = RECORD.corrections.to_dict("records")


def said(*changes):
    corrections = pd.DataFrame([{**GIVEN, **change} for change in changes])
    return list(findings.of_corrections(dataclasses.replace(RECORD, corrections=corrections), STUDY))


def test_corrections_with_name_and_reason_are_nothing_to_speak_of():
    assert said({}) == []
    assert list(findings.of_corrections(dataclasses.replace(RECORD, corrections=RECORD.corrections.iloc[:0]), STUDY)) == []


def test_corrections_without_name_or_reason_are_counted_by_what_they_lack():
    (one,) = said({}, {"who": "", "why": ""}, {"row": "P05A-1", "why": ""})
    assert one.name == "corrected values without a reason" and rank(one.name) == 0
    counts = "of 3 corrections on record, 1 with no name and 2 with no reason"
    assert one.cause.startswith(f"{counts} (P02A-3 z strength and P05A-1 z strength):")
    (outcome,) = said({"table": "prints", "row": "P02A", "column": "outcome", "why": ""})
    assert outcome.name == one.name and "1 with no reason (P02A outcome)" in outcome.cause


def test_corrections_of_what_no_response_rests_on_are_a_remark():
    (one,) = said({"table": "prints", "row": "P02A", "column": "note", "who": ""})
    assert one.name == "corrections without a reason" and rank(one.name) == 3
    many = [{"row": f"P{number:02d}A", "column": "note", "why": ""} for number in range(1, 10)]
    (one,) = said(*many)
    assert "9 with no reason" in one.cause and " and 3 more)" in one.cause
