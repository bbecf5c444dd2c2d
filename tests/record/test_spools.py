"""The ledger of spools: from its sheet into the record, its file, and the table of what is worth a look."""

import datetime

import pandas as pd
import pytest

from doe.design.effort import effort
from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.spools import spool_uses
from doe.report.protocol import spool_rows
from doe.sheet import layout
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, LOADS, NAME, Operator, make_design, make_study, opened

STUDY, DESIGN, WHEN = make_study(), make_design(), "2026-03-10T10:00:00Z"
DAY = datetime.datetime(2026, 3, 1)
LEDGER = {
    "S1-01": {"lot": "0815", "spool": "S-1", "opened_on": DAY, "moisture": 0.4},
    "S1-02": {"lot": "0815", "spool": "S-10", "opened_on": datetime.datetime(2026, 1, 30), "note": "bag torn"},
    "S1-03": {"lot": "0816", "spool": "S-2"},
}
USED = dict(zip(dict.fromkeys(LOADS), ("s-1", "S-10 (lot 0815), S-1", "S-2 and S-9"), strict=True))


def collected(content):
    return match(STUDY, DESIGN, read_workbook(content, NAME), DEFINITIONS)


def filled(ledger=LEDGER, used=USED):
    hand = Operator(blank_book())
    for name, values in ledger.items():
        hand.type("Spools", name, values)
    for load, text in used.items():
        hand.type("Loads", load, {"spool": text, "dried_from": DAY.replace(hour=8), "dried_to": DAY.replace(hour=14)})
    return hand.save()


@pytest.fixture(scope="module")
def record():
    return merge(None, collected(filled()).record, "N. N.", WHEN)[0]


def test_the_ledger_has_room_for_the_spools_of_the_plan_and_more():
    sheet = next(sheet for sheet in layout.sheets(STUDY, DESIGN, 1) if sheet.name == "Spools")
    assert len(sheet.rows) >= effort(STUDY, DESIGN.runs).spools + 3


def test_a_fresh_spool_counts_for_each_load():
    # Three loads of two prints of 40 g on two printers: one spool a load where the oven holds one, two where it holds two.
    assert effort(STUDY, DESIGN.runs).spools == 3
    assert effort(make_study(oven={"spools": 2}), DESIGN.runs).spools == 6


def test_what_is_typed_is_in_the_record_and_its_file(record):
    assert record.spools.to_dict("records")[0] == {
        "entry": "S1-01", "lot": "0815", "spool": "S-1", "opened_on": "2026-03-01", "moisture": 0.4, "note": "",
    }
    assert len(record.spools) == 3
    files = record_files(record)
    assert files["record/spools.csv"].decode().splitlines()[2] == "S1-02,0815,S-10,2026-01-30,,bag torn"
    pd.testing.assert_frame_equal(read_record(files, STUDY).spools, record.spools)


def test_a_record_without_a_ledger_has_no_file_of_it_and_reads_back():
    plain = merge(None, collected(blank_book()).record, "N. N.", WHEN)[0]
    files = record_files(plain)
    assert "record/spools.csv" not in files
    assert list(read_record(files, STUDY).spools) == ["entry", "lot", "spool", "opened_on", "moisture", "note"]
    assert spool_uses(plain) == () and not spool_rows(plain).rows


def test_a_changed_entry_is_a_correction(record):
    later = collected(filled({"S1-01": {"lot": "0817"}}, {})).record
    merged, made = merge(record, later, "N. N.", WHEN)
    assert [(one.table, one.row, one.column, one.old, one.new) for one in made] == [("spools", "S1-01", "lot", "0815", "0817")]
    assert merged.spools["spool"].to_list() == ["S-1", "S-10", "S-2"]


def test_loads_are_found_by_the_name_of_their_spools(record):
    first, second, third = dict.fromkeys(LOADS)
    uses = {one.spool: one for one in spool_uses(record)}
    assert {name: one.loads for name, one in uses.items()} == {
        "S-1": (first, second), "S-10": (second,), "S-2": (third,), "S-9": (third,),
    }
    assert uses["S-1"].flags == ("dried 2 times: drier each time than its load's plan says",)
    assert uses["S-10"].flags == ("opened 30 days before it was dried",)  # 30 January to 1 March 2026
    assert uses["S-2"].flags == ()
    assert uses["S-9"].flags == ("not in the ledger",)


def test_spools_may_be_joined_by_a_word_of_either_language():
    last = list(dict.fromkeys(LOADS))[2]
    record, _ = merge(None, collected(filled(used={last: "S-2 und S-9"})).record, "N. N.", WHEN)
    assert {one.spool: one.loads for one in spool_uses(record) if one.loads} == {"S-2": (last,), "S-9": (last,)}


def test_the_report_shows_them(record):
    table = spool_rows(record)
    assert table.rows[0][:5] == ("0815", "S-1", "2026-03-01", "0.4", "L01X, L02R")
    assert table.rows[3][1::4] == ("S-9", "not in the ledger")


def test_a_workbook_from_before_the_ledger_is_read():
    book = opened(blank_book())
    del book["Spools"]
    hand = Operator(blank_book())
    hand.book = book
    found = collected(hand.save())
    assert found.remarks == () and not len(found.record.spools)


def test_what_cannot_be_a_moisture_is_refused():
    with pytest.raises(InputRefused, match="sheet Spools, cell E"):
        collected(filled({"S1-01": {"moisture": 140}}))
