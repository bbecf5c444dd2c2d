import datetime
import math

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import Record
from doe.record.read_tables import NAMES, read_record, record_files
from doe.record.schema import TABLES, frame, schema
from doe.sheet.columns import OUTCOME_OF
from tests.record.typing_over import matched, typed
from tests.sheet.books import filled_cells, make_study

STUDY = make_study()


def same(record, other):
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(record, table), getattr(other, table))


@pytest.fixture(scope="module")
def record():
    first, _ = merge(None, matched(filled_cells())[0], "N. N.", "2026-03-08T10:00:00Z")
    return merge(first, matched(typed(("Prints", "P02C", "warp", 0.15)))[0], "N. N.", "2026-03-09T10:00:00Z")[0]


def test_a_record_reads_back_as_it_was_written(record):
    same(read_record(record_files(record), STUDY), record)


def test_there_is_a_file_for_each_table(record):
    assert tuple(record_files(record)) == NAMES
    assert NAMES[0] == "record/prints.csv"


def test_files_are_plain_text(record):
    lines = record_files(record)["record/prints.csv"].decode().splitlines()
    assert lines[0].startswith("print,round,load,printer,outcome,deviation,operator,printed_on,used.nozzle_temperature")
    assert lines[2] == "P02C,1,L01X,B,completed,,N. N.,2026-03-03,,,,,1.0,pass,0.15,"
    assert record_files(record)["record/corrections.csv"].decode() == (
        "table,row,column,old,new,who,when,why\nprints,P02C,warp,0.1,0.15,N. N.,2026-03-09T10:00:00Z,\n"
    )


def test_no_files_are_no_record():
    assert read_record({}, STUDY) is None
    assert read_record({"record/notes.csv": b"x"}, STUDY) is None


def test_a_byte_order_mark_and_carriage_returns_are_no_harm(record):
    files = record_files(record)
    changed = {name: b"\xef\xbb\xbf" + content.replace(b"\n", b"\r\n") for name, content in files.items()}
    same(read_record(changed, STUDY), record)


LEVELS = make_study().factors[2].levels
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\r\0"), max_size=12)
NUMBER = st.one_of(st.just(math.nan), st.floats(allow_nan=False, allow_infinity=False))
DAY = st.one_of(st.just(""), st.dates().map(datetime.date.isoformat))
OF_COLUMN = {
    "outcome": st.sampled_from(["", "completed", "lost"]), "deviation": st.sampled_from(["", "suspect"]),
    "leak_test": st.sampled_from(["", "pass", "fail"]), "used.bed_surface": st.sampled_from(["", *LEVELS]),
    "print": None, "coupon": None, "load": None, "reading": None,
}


def kind_of(key):
    return "outcome" if key.startswith(OUTCOME_OF) else key


@st.composite
def tables(draw, table, columns):
    rows = []
    identifier = next(iter(columns)) if table != "corrections" else None
    for number in range(draw(st.integers(0, 3))):
        row = {}
        for key, kind in columns.items():
            if key == identifier:
                row[key] = f"X{number}"
            elif OF_COLUMN.get(kind_of(key)) is not None and table in ("prints", "coupons"):
                row[key] = draw(OF_COLUMN[kind_of(key)])
            else:
                row[key] = draw({"text": TEXT, "date": DAY, "number": NUMBER, "integer": st.integers(-(2**62), 2**62)}[kind])
        rows.append(row)
    return frame(columns, rows)


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_any_record_reads_back_exactly(data):
    record = Record(**{table: data.draw(tables(table, columns)) for table, columns in schema(STUDY).items()})
    same(read_record(record_files(record), STUDY), record)


def edited(record, name, old, new):
    files = record_files(record)
    content = files[name]
    assert old in content
    return {**files, name: content.replace(old, new, 1)}


BROKEN = {
    "text for a number": (b",0.15,", b",lots,", "row 3, column 'warp': 'lots' is not a number"),
    "nan written out": (b",0.15,", b",nan,", "row 3, column 'warp': 'nan' is not a number"),
    "infinite": (b",0.15,", b",inf,", "'inf' is not a number"),
    "underscore": (b",0.15,", b",1_5,", "'1_5' is not a number"),
    "part of a number": (b"P02C,1,", b"P02C,1.5,", "row 3, column 'round': '1.5' is not a number"),
    "whole number gone": (b"P02C,1,", b"P02C,,", "row 3, column 'round': '' is not a number"),
    "outcome": (b"completed", b"complete", "row 2, column 'outcome': 'complete'; completed, detached"),
    "pass or fail": (b",pass,", b",passed,", "row 3, column 'leak_test': 'passed'; pass, fail are allowed"),
    "level": (b"textured sheet", b"textured", "row 4, column 'used.bed_surface': 'textured'"),
    "a value more": (b",0.15,", b",0.15,,", "row 3: 17 values; 16 columns need as many"),
    "column renamed": (b"printed_on", b"print_date", "the column 'print_date' is unknown"),
    "column missing": (b",warp,", b",", "row 1: the column 'warp' is missing"),
    "columns exchanged": (b"print,round", b"round,print", "the columns stand in another order"),
    "identifier twice": (b"P02C", b"P01A", "row 3, column 'print': 'P01A' stands there again"),
    "identifier gone": (b"P02C", b"", "row 3, column 'print': the identifier is missing"),
    "not UTF-8": (b"N. N.", b"\xff", "it is not UTF-8 text"),
    "quotes left open": (b"power cut", b'"power cut', "it cannot be read as CSV"),
}


@pytest.mark.parametrize(("old", "new", "message"), BROKEN.values(), ids=BROKEN)
def test_a_broken_file_is_refused_with_its_place(record, old, new, message):
    with pytest.raises(InputRefused, match=message) as refused:
        read_record(edited(record, "record/prints.csv", old, new), STUDY)
    for problem in refused.value.problems:
        assert problem.where.startswith("record/prints.csv")
        assert problem.remedy == "put the file back as 'doe collect' wrote it"


def test_an_empty_file_lacks_its_columns(record):
    with pytest.raises(InputRefused, match=r"record/loads.csv, row 1: the column 'load' is missing"):
        read_record({**record_files(record), "record/loads.csv": b""}, STUDY)


def test_a_missing_file_is_named(record):
    files = record_files(record)
    del files["record/coupons.csv"]
    with pytest.raises(InputRefused, match=r"record/coupons.csv: the file is missing"):
        read_record(files, STUDY)


def test_problems_of_all_files_are_listed(record):
    files = edited(record, "record/prints.csv", b",0.15,", b",lots,")
    files["record/loads.csv"] = files["record/loads.csv"].replace(b"1250.0", b"heavy")
    with pytest.raises(InputRefused, match="lots") as refused:
        read_record(files, STUDY)
    assert [problem.where.split(",")[0] for problem in refused.value.problems] == ["record/prints.csv", "record/loads.csv"]
