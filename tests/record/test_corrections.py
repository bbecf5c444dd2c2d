import math
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputRefused
from doe.record.corrections import Correction, merge
from doe.record.match import Record
from doe.record.read import read_workbook
from doe.record.read_tables import record_files
from doe.record.schema import TABLES, frame, schema, with_stress
from tests.record.typing_over import blank_book, matched, typed
from tests.sheet.books import NAME, STUDY, filled_cells, make_book, make_design, make_study

WHO, WHEN = "N. N.", "2026-03-09T16:00:00Z"


def same(record, other):
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(record, table), getattr(other, table))


def merged(before, cells, **more):
    return merge(before, matched(cells, **more)[0], WHO, WHEN)


def blank():
    return read_workbook(blank_book(), NAME)


@pytest.fixture(scope="module")
def full():
    return merged(None, filled_cells())[0]


def test_the_first_workbook_is_the_record(full):
    same(full, matched(filled_cells())[0])


def test_the_same_workbook_again_changes_nothing(full):
    again, changes = merged(full, filled_cells())
    same(again, full)
    assert changes == ()


def test_a_blank_workbook_erases_nothing(full):
    again, changes = merged(full, blank())
    same(again, full)
    assert changes == ()


def test_a_record_grows_with_a_half_filled_workbook(full):
    start, changes = merged(None, blank())
    assert (start.prints["outcome"] == "").all()
    assert changes == ()
    grown, changes = merged(start, filled_cells())
    same(grown, full)
    assert changes == ()


def test_a_changed_value_is_a_correction_and_the_new_one_stands(full):
    cells = typed(("Coupons", "P02C-1", "force.z_strength", 300.25), ("Prints", "P02C", "operator", "M. M."))
    record, changes = merged(full, cells)
    assert changes == (
        Correction("prints", "P02C", "operator", "N. N.", "M. M."),
        Correction("coupons", "P02C-1", "force.z_strength", "258.1", "300.25"),
    )
    coupon = record.coupons.set_index("coupon").loc["P02C-1"]
    assert coupon["force.z_strength"] == 300.25
    assert coupon["z_strength"] == 300.25 / (5.0 * 2.01)
    assert record.corrections.to_dict("records")[1] == {
        "table": "coupons", "row": "P02C-1", "column": "force.z_strength", "old": "258.1", "new": "300.25",
        "who": WHO, "when": WHEN, "why": "",
    }


def test_corrections_are_appended_to_earlier_ones(full):
    once, _ = merged(full, typed(("Prints", "P02C", "warp", 0.15)))
    twice, changes = merged(once, typed(("Prints", "P02C", "warp", 0.16)))
    assert [(one.old, one.new) for one in changes] == [("0.15", "0.16")]
    assert twice.corrections["new"].to_list() == ["0.15", "0.16"]


def test_a_reading_can_be_corrected(full):
    record, changes = merged(full, typed(("Printer checks", "R1-01", "actual", 259.0)))
    assert changes == (Correction("checks", "R1-01", "actual", "258.6", "259.0"),)
    assert record.checks["actual"].to_list() == [259.0, 0.01]


def test_values_without_an_outcome_count_as_completed():
    cells = typed(("Prints", "P02C", "outcome", None), ("Coupons", "P02C-1", "outcome", None))
    record, _ = merged(None, cells)
    assert record.prints.set_index("print").loc["P02C", "outcome"] == "completed"
    assert record.coupons.set_index("coupon").loc["P02C-1", "outcome"] == "completed"


def test_a_print_whose_coupons_have_values_is_completed():
    erased = [("Prints", "P02C", key, None) for key in ("outcome", "bed_grade", "leak_test", "warp")]
    record, _ = merged(None, typed(*erased))
    assert record.prints.set_index("print").loc["P02C", "outcome"] == "completed"


def test_an_outcome_on_record_is_not_replaced_by_completed():
    before, _ = merged(None, typed(("Prints", "P02C", "outcome", "warped")))
    record, changes = merged(before, typed(("Prints", "P02C", "outcome", None)))
    assert record.prints.set_index("print").loc["P02C", "outcome"] == "warped"
    assert changes == ()


def test_force_and_dimensions_may_come_in_different_workbooks(full):
    keys = ("width.z_strength", "thickness.z_strength")
    forces, _ = merged(None, typed(*[("Coupons", "P02C-1", key, None) for key in keys]))
    assert math.isnan(forces.coupons.set_index("coupon").loc["P02C-1", "z_strength"])
    record, changes = merged(forces, typed(("Coupons", "P02C-1", "force.z_strength", None)))
    same(record, full)
    assert changes == ()


def lost_after_all():
    """Return the full workbook in which a print turned out to be lost, its values cleared."""
    keys = ("bed_grade", "leak_test", "warp")
    results = ("force.z_strength", "first_layer_peel")
    return typed(
        ("Prints", "P06H", "outcome", "lost"), *[("Prints", "P06H", key, None) for key in keys],
        *[("Coupons", f"P06H-{number}", key, None) for number in (1, 2) for key in results],
        ("Coupons", "P06H-3", "force.z_strength", None),
    )


def test_an_outcome_that_leaves_nothing_to_measure_takes_values_out_as_corrections(full):
    record, changes = merged(full, lost_after_all())
    taken = {(one.table, one.row, one.column): (one.old, one.new) for one in changes}
    assert taken["prints", "P06H", "outcome"] == ("completed", "lost")
    assert taken["prints", "P06H", "leak_test"] == ("pass", "")
    assert taken["coupons", "P06H-2", "first_layer_peel"] == ("1.55", "")
    assert len(changes) == 1 + 3 + 3 + 2
    coupons = record.coupons[record.coupons["print"] == "P06H"]
    assert coupons["z_strength"].isna().all()
    again, changes = merged(record, lost_after_all())
    same(again, record)
    assert changes == ()


def test_values_for_what_is_on_record_as_lost_need_an_outcome(full):
    lost, _ = merged(full, lost_after_all())
    cells = typed(("Prints", "P06H", "outcome", None))
    with pytest.raises(InputRefused, match="print P06H: the workbook gives values, but on record it") as refused:
        merged(lost, cells)
    assert [problem.where for problem in refused.value.problems] == [
        "print P06H", "coupon P06H-1", "coupon P06H-2", "coupon P06H-3"
    ]
    record, _ = merged(lost, filled_cells())
    assert record.prints.set_index("print").loc["P06H", "outcome"] == "completed"


def test_rounds_are_collected_side_by_side(full):
    design = make_design(rounds=2)
    second, changes = merged(full, read_workbook(make_book(design=design, number=2), NAME), design=design)
    assert changes == ()
    assert second.prints["round"].to_list() == [1] * 6 + [2] * 6
    assert second.prints["round"].dtype == "int64"
    assert second.coupons["number"].dtype == "int64"
    assert len(second.loads) == 6
    back, changes = merged(second, filled_cells(), design=design)
    same(back, second)
    assert changes == ()


# Properties ---------------------------------------------------------------------------------------------------------

SMALL = make_study(factors=STUDY["factors"][:1], responses=[STUDY["responses"][place] for place in (0, 3, 4)])
COLUMNS = schema(SMALL)
NUMBER = st.one_of(st.just(math.nan), st.floats(0.1, 400, allow_nan=False))
TESTED = st.sampled_from(["", "completed", "warped", "broke in grips", "no break"])


@st.composite
def records(draw):
    """Records of two prints with two coupons each that a workbook may give."""
    prints, coupons = [], []
    for name in ("P01A", "P02C"):
        lost = draw(st.booleans())
        outcome = "lost" if lost else draw(TESTED)
        row = {"print": name, "round": 1, "outcome": outcome, "note": draw(st.sampled_from(["", "a", "b"]))}
        if not lost:
            row |= {"warp": draw(NUMBER), "leak_test": draw(st.sampled_from(["", "pass", "fail"]))}
        prints.append(row)
        for number in (1, 2):
            coupon = {"coupon": f"{name}-{number}", "print": name, "number": number, "width.z_strength": draw(NUMBER)}
            if not lost:
                coupon |= {"outcome": draw(TESTED), "force.z_strength": draw(NUMBER), "thickness.z_strength": draw(NUMBER)}
            coupons.append(coupon)
    numbers = sorted(draw(st.sets(st.integers(1, 3))))
    checks = [{"reading": f"R1-{number}", "printer": "A", "set": draw(NUMBER), "actual": 1.0} for number in numbers]
    loads = [{"load": "L01X", "round": 1, "mass_before": draw(NUMBER), "spool": draw(st.sampled_from(["", "s"]))}]
    rows = {"prints": prints, "coupons": coupons, "loads": loads, "checks": checks, "corrections": []}
    record = Record(**{table: frame(COLUMNS[table], rows[table]) for table in TABLES})
    return replace(record, coupons=with_stress(record.coupons))


def merged_or_refused(before, book):
    try:
        return merge(before, book, WHO, WHEN)
    except InputRefused:
        return None


@settings(deadline=None, max_examples=15)
@given(records(), records())
def test_merging_twice_is_merging_once(first, second):
    before, _ = merge(None, first, WHO, WHEN)
    once = merged_or_refused(before, second)
    if once is None:
        return
    twice, changes = merge(once[0], second, WHO, WHEN)
    assert record_files(twice) == record_files(once[0])
    assert changes == ()


@settings(deadline=None, max_examples=12)
@given(records(), records())
def test_what_was_recorded_stands_or_is_on_file(first, second):
    before, _ = merge(None, first, WHO, WHEN)
    outcome = merged_or_refused(before, second)
    if outcome is None:
        return
    after, changes = outcome
    filed = {(one.table, one.row, one.column): one.old for one in changes}
    for table, key in (("prints", "print"), ("coupons", "coupon"), ("loads", "load"), ("checks", "reading")):
        old, new = getattr(before, table).set_index(key), getattr(after, table).set_index(key)
        assert set(old.index) <= set(new.index)
        for column in old.columns.drop("z_strength", errors="ignore"):
            for row in old.index:
                value, now = old.loc[row, column], new.loc[row, column]
                if value != "" and not (isinstance(value, float) and math.isnan(value)) and value != now:
                    assert filed[table, row, column] == (repr(float(value)) if isinstance(value, float) else str(value))
