"""Tests that share the rows of coupons: one of them may end otherwise than the others, and only its value is told by that."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.errors import InputRefused
from doe.model.values import single_values
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.together import join
from doe.study.operators import in_language, languages
from tests.sheet.books import DEFINITIONS, NAME, Operator, fill, filled_book, make_book, make_design, make_study

STRENGTH, PEEL = "outcome.z_strength", "outcome.first_layer_peel"
NO_FORCE = dict.fromkeys(("force.z_strength", "width.z_strength", "thickness.z_strength"))


def collected(typed, language="en"):
    study = in_language(make_study(), language)
    hand = Operator(fill(make_book(study), study=study) if language != "en" else filled_book(), study=study)
    for row, values in typed.items():
        hand.type("Coupons", row, values)
    return match(study, make_design(), read_workbook(hand.save(), NAME), DEFINITIONS).record


def limits(record, place):
    """Return the limits of every value of a response by coupon."""
    found = single_values(make_study().responses[place], record)
    return dict(zip(found.items, zip(found.lower.tolist(), found.upper.tolist(), strict=True), strict=True))


@pytest.mark.parametrize("language", languages())
def test_the_outcome_of_one_test_is_that_of_its_value_alone(language):
    plain = collected({}, language)
    typed = {"P01A-1": {STRENGTH: "broke in grips"}, "P01A-2": {PEEL: "broke in handling", "first_layer_peel": None}}
    record = collected(typed, language)
    strength, peel = limits(record, 0), limits(record, 1)
    value = limits(plain, 0)["P01A-1"][0]
    assert strength["P01A-1"] == (value, np.inf) and peel["P01A-1"] == (1.5, 1.5)
    assert peel["P01A-2"] == (-np.inf, 1.5)  # less than the least that was measured
    assert strength["P01A-2"] == limits(plain, 0)["P01A-2"]
    for place in (0, 1):
        others = {name: ends for name, ends in limits(record, place).items() if name not in ("P01A-1", "P01A-2")}
        assert others == {name: ends for name, ends in limits(plain, place).items() if name in others}


def test_a_test_that_was_made_counts_although_the_others_of_its_row_were_not():
    typed = {"P01A-1": {"outcome": "broke in handling", PEEL: "completed", **NO_FORCE}}
    record = merge(None, collected(typed), "N. N.", "2026-03-08T08:00:00Z")[0]
    assert limits(record, 0)["P01A-1"][0] == -np.inf and limits(record, 1)["P01A-1"] == (1.5, 1.5)


@pytest.mark.parametrize("own", ["completed", "no break"])
def test_of_a_lost_print_no_test_was_made(own):
    with pytest.raises(InputRefused, match="although the outcome of its print P04E is 'lost'"):
        collected({"P04E-1": {PEEL: own, "first_layer_peel": 1.5}})
    assert "P04E-1" not in limits(collected({"P04E-1": {PEEL: own}}), 1)


def test_a_value_of_a_test_that_was_not_made_is_refused():
    with pytest.raises(InputRefused, match="although the outcome of z strength of coupon P01A-1 is 'broke in handling'"):
        collected({"P01A-1": {STRENGTH: "broke in handling"}})


def test_it_is_kept_in_the_record_and_takes_an_earlier_value_out():
    before = merge(None, collected({}), "N. N.", "2026-03-08T08:00:00Z")[0]
    later = collected({"P01A-1": {STRENGTH: "broke in handling", **NO_FORCE}})
    record, corrections = merge(before, later, "N. N.", "2026-03-09T08:00:00Z")
    row = record.coupons.set_index("coupon").loc["P01A-1"]
    assert row[STRENGTH] == "broke in handling" and np.isnan(row["force.z_strength"]) and np.isnan(row["z_strength"])
    assert row["first_layer_peel"] == 1.5 and row["outcome"] == "completed"
    assert ("force.z_strength", "") in {(one.column, one.new) for one in corrections}
    kept = read_record(record_files(record), make_study())
    assert list(kept.coupons[STRENGTH]) == list(record.coupons[STRENGTH])
    with pytest.raises(InputRefused, match="coupon P01A-1: the workbook gives values, but on record it"):
        merge(record, collected({}), "N. N.", "2026-03-10T08:00:00Z")


def without_columns(content, keys, study):
    """Return a workbook as it was written before it had some columns of coupons: their cells are blank."""
    hand = Operator(content, study=study)
    place = hand.places["Coupons"]
    for letter in (place["columns"][key] for key in keys):
        for row in range(place["header_row"], place["last_row"] + 1):
            hand.book[place["sheet"]][f"{letter}{row}"] = None
    return hand


def test_a_workbook_and_a_record_of_before_the_column_are_read():
    hand = without_columns(filled_book(), (STRENGTH, PEEL), make_study())
    hand.book["Coupons"].title = "Pieces"
    found = match(make_study(), make_design(), read_workbook(hand.save(), NAME), DEFINITIONS)
    assert not [said for said in found.remarks if "outcome, if" in said]
    assert set(found.record.coupons[STRENGTH]) == {""}
    assert limits(found.record, 0) == limits(collected({}), 0)
    files = record_files(found.record)
    assert b"outcome." not in files["record/coupons.csv"]
    pd.testing.assert_frame_equal(read_record(files, make_study()).coupons, found.record.coupons)


def test_a_heading_in_the_other_language_is_understood():
    hand = Operator(filled_book())
    place, german = hand.places["Coupons"], Operator(make_book(in_language(make_study(), "de")), in_language(make_study(), "de"))
    cell = f"{place['columns'][STRENGTH]}{place['header_row']}"
    hand.book["Coupons"][cell] = german.book[german.places["Coupons"]["sheet"]][cell].value
    assert "falls anders" in hand.book["Coupons"][cell].value
    hand.type("Coupons", "P01A-1", {STRENGTH: "Einspannbruch"})
    record = match(make_study(), make_design(), read_workbook(hand.save(), NAME), DEFINITIONS).record
    assert record.coupons.set_index("coupon")[STRENGTH]["P01A-1"] == "broke in grips"


def test_two_books_that_disagree_are_told_in_their_words():
    def book(word):
        hand = Operator(filled_book())
        hand.type("Coupons", "P01A-1", {STRENGTH: word})
        return match(make_study(), make_design(), read_workbook(hand.save(), NAME), DEFINITIONS)

    first, second = book("no break"), replace(book("broke in grips"), language="de", where="b.xlsx")
    with pytest.raises(InputRefused, match=r"'no break' for outcome\.z_strength of P01A-1, but .* says 'Einspannbruch'"):
        join([first, second], None)


def test_without_a_second_test_there_is_no_such_column():
    study = make_study(responses=[make_study().responses[0], *make_study().responses[2:]])
    hand = Operator(make_book(study), study=study)
    assert STRENGTH not in hand.places["Coupons"]["columns"]


def test_the_refusal_names_the_column_for_a_test_that_ended_otherwise():
    with pytest.raises(InputRefused, match="outcome of coupon P01A-1 is 'broke in handling'") as refused:
        collected({"P01A-1": {"outcome": "broke in handling", **NO_FORCE}})
    cell = Operator(filled_book()).address("Coupons", "P01A-1", PEEL)
    (problem,) = refused.value.problems
    assert problem.remedy == (
        "clear the cell, or correct the outcome; where this test was made, and only others of the row were not, choose "
        f"'completed' under 'First layer peel: outcome, if different', cell {cell}"
    )
    with pytest.raises(InputRefused, match="is 'lost'") as refused:
        collected({"P01A-1": {"outcome": "lost", **NO_FORCE}})
    assert [one.remedy for one in refused.value.problems] == ["clear the cell, or correct the outcome"]
