"""Several files of one round at once."""

from dataclasses import replace

import pytest

from doe.errors import InputRefused
from doe.record.corrections import Beside, merge
from doe.record.emptied import emptied_lines
from doe.record.plausible import unlikely
from doe.record.read import read_workbook
from doe.record.read_tables import record_files
from doe.record.together import join
from doe.record.withdrawal import withdrawable
from tests.record.test_exported import read as exported
from tests.record.typing_over import address, blank_book, matched, matched_book, typed
from tests.sheet.books import NAME, filled_cells, make_design, make_study

WHO, WHEN = "N. N.", "2026-03-09T16:00:00Z"
FORCE = ("Coupons", "P02C-1", "force.z_strength")
CELL = ("coupons", "P02C-1", "force.z_strength")


def book(name, *changes, cells=None):
    return matched_book(replace(typed(*changes, cells=cells), where=name))


def blank(*changes):
    """Return the cells of an unfilled workbook with a few typed in."""
    return typed(*changes, cells=read_workbook(blank_book(), NAME))


def collected(before, *books, prefer=None):
    joined = join(books, before, prefer)
    record, changes = merge(before, joined.record, WHO, WHEN, joined.beside)
    return record, changes, joined


def value(record, cell=CELL):
    table = getattr(record, cell[0])
    return table.set_index(table.columns[0]).loc[cell[1], cell[2]]


def halves():
    """Return two books: one has what is on Prints and Loads, the other the coupons and readings."""
    cells, empty = filled_cells(), blank()
    first = replace(cells, where="a.xlsx", sheets={**cells.sheets, "Coupons": empty.sheets["Coupons"]})
    other = {name: empty.sheets[name] for name in ("Prints", "Loads")}
    return matched_book(first), matched_book(replace(cells, where="b.xlsx", sheets={**cells.sheets, **other}))


def test_what_two_operators_filled_in_comes_together_in_either_order():
    whole = record_files(merge(None, matched(filled_cells())[0], WHO, WHEN)[0])
    first, second = halves()
    assert record_files(collected(None, first, second)[0]) == whole
    assert record_files(collected(None, second, first)[0]) == whole


def test_two_books_that_disagree_are_refused_with_both_cells():
    with pytest.raises(InputRefused, match="two files say the same") as refused:
        join([book("a.xlsx"), book("b.xlsx", (*FORCE, 300.5))], None)
    (problem,) = refused.value.problems
    assert problem.where == f"a.xlsx, {address(*FORCE)}"
    assert f"'258.1' for force.z_strength of P02C-1, but b.xlsx, {address(*FORCE)}, says '300.5'" in problem.found


def test_the_preferred_file_stands_and_what_was_given_up_is_on_file():
    books = [book("a.xlsx"), book("b.xlsx", (*FORCE, 300.5))]
    for prefer, wins, loses in (("a.xlsx", 258.1, "300.5"), ("b.xlsx", 300.5, "258.1")):
        record, (change,), joined = collected(None, *books, prefer=prefer)
        assert value(record) == wins
        assert (change.old, float(change.new)) == (loses, wins)
        assert f"{prefer} was preferred" in joined.decided[0] and change.why == record.corrections["why"][0]


def test_a_decision_stands_when_the_same_books_come_again():
    books = [book("a.xlsx"), book("b.xlsx", (*FORCE, 300.5))]
    record, _, _ = collected(None, *books, prefer="b.xlsx")
    again, changes, joined = collected(record, *books)
    assert value(again) == 300.5 and changes == () and "as was decided before" in joined.decided[0]
    with pytest.raises(InputRefused, match=r"says '301\.0'"):
        join([books[0], book("b.xlsx", (*FORCE, 301.0))], again)


def test_a_preferred_file_that_is_none_of_them_is_refused():
    with pytest.raises(InputRefused, match=r"--prefer c\.xlsx: it is none of the files"):
        join([book("a.xlsx")], None, "c.xlsx")


def test_values_in_one_book_for_what_another_calls_lost_are_refused_and_not_dropped():
    first = matched_book(replace(blank(("Prints", "P02C", "outcome", "lost")), where="a.xlsx"))
    second = matched_book(replace(blank((*FORCE, 250.0)), where="b.xlsx"))
    with pytest.raises(InputRefused, match=r"b\.xlsx, sheet Coupons, cell .*, coupon P02C-1: .* never tested"):
        collected(None, first, second)


def test_a_setpoint_used_that_is_the_plans_after_all_takes_the_wrong_one_off_the_record():
    used = ("Prints", "P02C", "used.nozzle_temperature")
    record, _, _ = collected(None, book("a.xlsx", (*used, 280)))
    assert value(record, ("prints", *used[1:])) == 280
    after, (change,), _ = collected(record, book("a.xlsx", (*used, 285)))
    assert (change.old, change.new) == ("280.0", "")
    assert value(after, ("prints", *used[1:])) != 280
    with pytest.raises(InputRefused, match=r"'280\.0' for used\.nozzle_temperature of P02C, but .* says 'as set'"):
        join([book("a.xlsx", (*used, 280)), book("b.xlsx", (*used, 285))], None)


def test_the_reason_in_the_row_is_kept_with_the_correction():
    before, _, _ = collected(None, book("a.xlsx"))
    cells = typed((*FORCE, 260.0))
    row = next(row for (row, _), text in cells.sheets["Coupons"].items() if text == "P02C-1")
    header = next(row for (row, _), text in cells.sheets["Coupons"].items() if text == "Coupon")
    sheet = {**cells.sheets["Coupons"], (header, 60): "Reason", (row, 60): "read from the wrong scale"}
    record, (change,), _ = collected(before, matched_book(replace(cells, sheets={**cells.sheets, "Coupons": sheet})))
    assert change.why == "read from the wrong scale" == record.corrections["why"][0]


def test_an_emptied_cell_is_said_and_a_withdrawn_value_is_on_file_and_its_return_too():
    before, _, _ = collected(None, book("a.xlsx"))
    emptied = book("a.xlsx", (*FORCE, None))
    lines = emptied_lines(before, join([emptied], before))
    assert lines[0].startswith("force.z_strength of P02C-1 is on record, but its cell is empty now")
    assert "--withdraw P02C-1:force.z_strength" in lines[-1]
    assert emptied_lines(before, join([book("a.xlsx")], before)) == ()
    assert withdrawable(before, "P02C-1", "force.z_strength") == (CELL,)
    assert withdrawable(before, "P02C-1", "z_strength") == withdrawable(before, "P99", "warp") == ()
    after, (change,) = merge(before, emptied.record, WHO, WHEN, Beside(withdrawn=frozenset({CELL}), reason="wrong row"))
    assert (change.old, change.new, change.why) == ("258.1", "", "wrong row")
    again, (back,) = merge(after, book("a.xlsx").record, WHO, WHEN)
    assert (back.old, back.new) == ("", "258.1") and value(again) == 258.1


def test_nothing_is_said_of_values_that_a_file_has_no_cell_for():
    before, _, _ = collected(None, book("a.xlsx"))
    machine = exported("coupon,first_layer_peel\nP01A-1,1.5\n")
    assert emptied_lines(before, join([machine], before)) == ()
    both = join([machine, book("b.xlsx", ("Coupons", "P01A-1", "first_layer_peel", None))], before)
    assert emptied_lines(before, both) == ()  # one of the two files gives it
    (line, _) = emptied_lines(before, join([exported("coupon,outcome,first_layer_peel\nP01A-1,completed,\n")], before))
    assert line.startswith("first_layer_peel of P01A-1 is on record, but its cell is empty now")


def test_a_reading_that_was_cleared_and_a_setpoint_of_a_load_are_said_to_stay():
    before, _, _ = collected(None, book("a.xlsx"))
    reading = [("Printer checks", "R1-01", key, None) for key in ("printer", "factor", "set", "actual", "instrument", "read_on")]
    (line,) = emptied_lines(before, join([book("a.xlsx", *reading)], before))
    assert line.startswith("Rows that are on record, but blank in what was read now: R1-01. ")
    line, remedy = emptied_lines(before, join([book("a.xlsx", ("Loads", "L02R", "used.drying_time", None))], before))
    assert line.startswith("used.drying_time of P03D, P04E is on record") and "--withdraw P03D:used.drying_time" in remedy
    planned = book("a.xlsx", ("Prints", "P03D", "used.nozzle_temperature", 277))  # as planned: that is a correction
    assert emptied_lines(before, join([planned], before)) == ()


def test_what_the_plan_fixes_cannot_be_withdrawn():
    before, _, _ = collected(None, book("a.xlsx"))
    assert withdrawable(before, "P01A", "printer") == withdrawable(before, "P01A-1", "print") == ()
    assert withdrawable(before, "P01A", "operator") == (("prints", "P01A", "operator"),)


def test_blank_rows_on_record_are_named_in_one_line():
    before, _, _ = collected(None, book("a.xlsx"))
    lines = emptied_lines(before, join([matched_book(blank())], before))
    said = "P01A with 3 coupons, P02C with 3 coupons, P03D with 3 coupons, P04E with 3 coupons, P05F with 3 coupons"
    assert lines[0].startswith(f"Rows that are on record, but blank in what was read now: {said}, P06H with 3 coupons, L01X, ")
    assert lines[0].endswith("a print with its coupons: doe collect --withdraw P01A --reason 'why'") and len(lines) == 1


def test_coupons_alone_that_are_blank_are_named_by_their_print():
    before, _, _ = collected(None, book("a.xlsx"))
    cells = [
        ("Coupons", name, key, None) for name in ("P02C-1", "P02C-2", "P01A-3")
        for key in ("outcome", "force.z_strength", "width.z_strength", "thickness.z_strength", "first_layer_peel", "note")
        if (name, key) != ("P01A-3", "first_layer_peel")
    ]
    (line,) = emptied_lines(before, join([book("a.xlsx", *cells)], before))
    assert ": 1 coupon of P01A, 2 coupons of P02C. What" in line and "--withdraw P01A-3 " in line


UNLIKELY = {
    "below zero where no other is": (("Prints", "P02C", "warp", -1.0), "warp of P02C is -1.0, below zero, as no other is"),
    "beyond what is usual": (("Prints", "P02C", "warp", 90.0), "where -8 to 8 is usual"),  # ten times the 0.8 mm required
    "ten times all others": ((*FORCE, 2810.0), "far above all others, where the middle of all is"),
    "a tenth of all others": ((*FORCE, 25.81), "far below all others, where the middle of all is"),
}


@pytest.mark.parametrize(("change", "words"), UNLIKELY.values(), ids=UNLIKELY)
def test_unlikely_values_are_named_with_their_cell_and_recorded(change, words):
    record, _, joined = collected(None, book("a.xlsx", change))
    lines = unlikely(make_study(), make_design(), record, joined.beside.places)
    mine = [line for line in lines if words in line]
    assert len(mine) == 1 and f"a.xlsx, {address(*change[:3])}" in mine[0]
    assert value(record, (change[0].lower(), *change[1:3])) == change[3]


def test_a_stress_that_nothing_bears_is_named_with_its_force():
    # 8000 N / (5.0 x 2.0 mm^2) = 800 MPa, beyond ten times the 25 MPa required.
    sizes = [("Coupons", "P02C-1", f"{part}.z_strength", size) for part, size in (("width", 5.0), ("thickness", 2.0))]
    record, _, joined = collected(None, matched_book(replace(blank((*FORCE, 8000.0), *sizes), where="a.xlsx")))
    (line,) = unlikely(make_study(), make_design(), record, joined.beside.places)
    assert f"a.xlsx, {address(*FORCE)}: z_strength of P02C-1 is 800.0, where 0 to 250 is usual" in line


def test_likely_values_are_not_named():
    record, _, joined = collected(None, book("a.xlsx"))
    assert unlikely(make_study(), make_design(), record, joined.beside.places) == ()
