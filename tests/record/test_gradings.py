"""The grader check: blind codes on their sheet, the key apart from them, and grades in the record."""

import itertools

import pytest

from doe.errors import InputRefused
from doe.model.agreement import repeated_grades, verdicts
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.report.agreement import agreement_table
from doe.sheet import layout
from doe.sheet.grading import gradings
from doe.study.read import parse_study
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, PRINTS, STUDY, Operator, make_design, make_study, opened
from tests.study.studies import changed

RESPONSES = [{**one, "grader_check": 4} if one["name"] == "bed_grade" else one for one in STUDY["responses"]]
CHECKED, DESIGN = make_study(responses=RESPONSES), make_design()
CODED = gradings(CHECKED, DESIGN, 1)


def collected(typed):
    hand = Operator(blank_book(CHECKED), CHECKED)
    for code, values in typed.items():
        hand.type("Grader check", hand_row(hand, code), values)
    return match(CHECKED, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS).record


def hand_row(hand, code):
    """Return what stands in the first column of a code's row, by which rows are typed into."""
    place = hand.places["Grader check"]
    sheet = hand.book["Grader check"]
    rows = range(place["first_row"], place["last_row"] + 1)
    return next(sheet[f"A{row}"].value for row in rows if sheet[f"{place['columns']['code']}{row}"].value == code)


def graded(grade, other=None):
    """Return a record with the grades that functions of print and time give."""
    typed = {}
    for one in CODED:
        place = PRINTS.index(one.item)
        typed[one.code] = {"grade.bed_grade": grade(place, one.time), "grader": "N. N."}
        typed[one.code] |= {"other_grade.bed_grade": other(place, one.time)} if other else {}
    return merge(None, collected(typed), "N. N.", "2026-03-10T10:00:00Z")[0]


def test_each_chosen_print_has_two_codes():
    assert len(CODED) == 8 and len({one.code for one in CODED}) == 8
    assert {one.item for one in CODED} <= set(PRINTS) and len({one.item for one in CODED}) == 4
    assert sorted((one.item, one.time) for one in CODED) == sorted(itertools.product({one.item for one in CODED}, (1, 2)))


def test_equal_seeds_give_equal_codes_and_others_do_not():
    assert gradings(CHECKED, make_design(), 1) == CODED
    other = make_design()
    other.runs["seed"] += 1
    assert {one.code for one in gradings(CHECKED, other, 1)}.isdisjoint(one.code for one in CODED)


def test_all_prints_where_more_are_asked_for_than_there_are():
    study = make_study(responses=[{**one, "grader_check": 50} if one.get("grader_check") else one for one in RESPONSES])
    assert len(gradings(study, DESIGN, 1)) == 2 * len(PRINTS)


def test_only_the_first_round_has_them():
    assert gradings(CHECKED, make_design(rounds=2), 2) == ()
    assert gradings(make_study(), DESIGN, 1) == ()


def test_the_sheet_reveals_neither_print_nor_pair():
    book = opened(blank_book(CHECKED))
    shown = [str(cell.value) for row in book["Grader check"].iter_rows() for cell in row if cell.value is not None]
    assert not any(name in text for text in shown for name in PRINTS)
    codes = [text for text in shown if text in {one.code for one in CODED}]
    assert codes == [one.code for one in CODED]
    assert book["Grader key"].sheet_state == "hidden"
    key = {row[1].value: row[2].value for row in book["Grader key"].iter_rows() if row[1].value}
    assert {code: key[code] for code in codes} == {one.code: one.item for one in CODED}


def test_the_order_is_random_so_that_pairs_do_not_stand_together():
    study = make_study(responses=[{**one, "grader_check": 6} if one.get("grader_check") else one for one in RESPONSES])
    together = 0
    for seed in range(200):
        design = make_design()
        design.runs["seed"] = seed
        made = gradings(study, design, 1)
        together += sum(a.item == b.item for a, b in itertools.pairwise(made))
    # Of 12 pieces in random order a pair stands together with 2 / 12: 6 pairs give one such place an order on average.
    assert together / 200 == pytest.approx(1.0, abs=0.25)  # standard error about 0.07


def test_grades_are_in_the_record_and_its_file():
    record = graded(lambda place, time: place)
    assert len(record.gradings) == 8
    row = record.gradings.set_index("code").loc[CODED[0].code]
    assert (row["item"], row["time"], row["response"]) == (CODED[0].item, CODED[0].time, "bed_grade")
    assert row["grade.bed_grade"] == PRINTS.index(CODED[0].item)
    files = record_files(record)
    assert read_record(files, CHECKED).gradings.equals(record.gradings)
    assert "record/gradings.csv" not in record_files(merge(None, collected({}), "N. N.", "2026-03-10T10:00:00Z")[0])


def test_grades_that_repeat_are_called_so():
    record = graded(lambda place, time: place)
    (found,) = repeated_grades(CHECKED, record)
    assert (found.found.pieces, found.found.equal, found.found.kappa, found.word) == (4, 1, 1, "almost perfect")
    assert list(verdicts(CHECKED, [found])) == []
    assert agreement_table("bed_grade", [found]).rows[0][1:5] == ("4", "100 %", "100 %", "1.00")


def test_grades_that_do_not_repeat_have_a_verdict():
    record = graded(lambda place, time: place if time == 1 else 5 - place, other=lambda place, time: place)
    found = repeated_grades(CHECKED, record)
    assert [one.who for one in found] == ["first grader, graded twice", "second grader, graded twice", "first and second grader"]
    said = list(verdicts(CHECKED, found))
    assert {(one.name, one.about) for one in said} == {("grades not repeatable", "bed_grade")}
    assert "first grader, graded twice, 4 pairs: weighted kappa -" in said[0].cause and "called poor" in said[0].cause
    assert not any("second grader, graded twice" in one.cause for one in said)


def test_a_check_that_was_asked_for_and_not_made_is_named():
    record = merge(None, collected({CODED[0].code: {"grade.bed_grade": 3}}), "N. N.", "2026-03-10T10:00:00Z")[0]
    assert repeated_grades(CHECKED, record) == ()  # one of a pair says nothing
    assert [one.name for one in verdicts(CHECKED, ())] == ["grades not checked"]
    assert list(verdicts(make_study(), ())) == []


def test_a_workbook_from_before_the_check_is_read():
    book = opened(blank_book())
    hand = Operator(blank_book())
    hand.book = book
    found = match(CHECKED, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS)
    assert found.remarks == () and not len(found.record.gradings)


def test_a_grade_that_is_not_on_the_scale_is_refused():
    with pytest.raises(InputRefused, match="sheet Grader check, cell"):
        collected({CODED[0].code: {"grade.bed_grade": 7}})


def test_only_graded_responses_may_ask_for_it():
    with pytest.raises(InputRefused, match=r"responses\[1\] 'z_strength', key 'grader_check'.*only grades are given twice"):
        parse_study(changed("method = ", "grader_check = 10\nmethod = "))
    assert parse_study(changed("grades = [", "grader_check = 10\ngrades = [")).responses[1].grader_check == 10


def test_the_key_is_no_table_that_is_read():
    assert "Grader key" not in [sheet.name for sheet in layout.sheets(CHECKED, DESIGN, 1)]
