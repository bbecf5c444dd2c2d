"""Coupons on the plate: places rotate as in a cyclic Latin square, and stand on sheet, label and record."""

import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.schema import value_columns
from doe.report.protocol import condition_rows
from doe.sheet.labels.layout import labels
from doe.sheet.layout import sheets
from doe.sheet.plate import places, plate_columns
from doe.study.read import parse_study
from tests.sheet.books import DEFINITIONS, NAME, PRINTS, STUDY, Operator, make_book, make_design, make_study
from tests.study.studies import WHOLE

POSITIONS = ["front left", "centre", "rear"]
LAID, DESIGN = make_study(plate={"positions": POSITIONS, "orientation": "ZX"}), make_design()


def collected(*typed):
    hand = Operator(make_book(LAID), LAID)
    for sheet, row, values in typed:
        hand.type(sheet, row, values)
    return match(LAID, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS).record


def test_over_as_many_prints_as_positions_each_coupon_was_once_in_each_place():
    found = places(LAID, DESIGN.runs)
    square = [[found[f"{name}-{number}"]["plate.position"] for number in (1, 2, 3)] for name in PRINTS]
    assert square[0] == POSITIONS and square[1] == ["centre", "rear", "front left"]
    for first in (0, 3):
        block = square[first : first + 3]
        assert all(set(line) == set(POSITIONS) for line in (*block, *zip(*block, strict=True)))


def test_more_positions_than_coupons_are_all_used():
    study = make_study(plate={"positions": [*POSITIONS, "left", "right"]})
    found = places(study, DESIGN.runs)
    assert len({cell["plate.position"] for cell in found.values()}) == 5
    for name in PRINTS:
        assert len({found[f"{name}-{number}"]["plate.position"] for number in (1, 2, 3)}) == 3


def test_they_stand_on_the_sheet_as_locked_cells_and_on_the_label():
    coupons = next(sheet for sheet in sheets(LAID, DESIGN, 1) if sheet.name == "Coupons")
    mine = [column for column in coupons.columns if column.key.startswith("plate.")]
    assert [column.header for column in mine] == ["Position on the plate", "Orientation"]
    assert not any(column.fill for column in mine)
    assert coupons.rows[4] | {"plate.position": "rear", "plate.orientation": "ZX"} == coupons.rows[4]
    assert labels(LAID, DESIGN, 1)[1].lines[2] == "All ZX: -1 centre; -2 rear; -3 front left"


def test_none_without_a_plate():
    assert plate_columns(make_study()) == []
    assert make_book(make_study(plate={})) == make_book()


def test_a_response_may_lie_otherwise():
    first, second, *rest = STUDY["responses"]
    study = make_study(responses=[{**first, "orientation": "ZX"}, {**second, "orientation": "XY"}, *rest])
    cells = places(study, DESIGN.runs)
    assert [list(cells[f"P01A-{number}"].values()) for number in (1, 3)] == [
        ["ZX (z strength), XY (first layer peel)"], ["ZX"],  # the third coupon is for the strength alone
    ]
    assert ("orientation (ISO/ASTM 52921)", "z strength ZX, first layer peel XY") in condition_rows(study).rows


def test_the_record_keeps_them_where_a_coupon_has_a_row():
    typed = ("Coupons", "P02C-1", {"outcome": "completed", "first_layer_peel": 1.5})
    record = merge(None, collected(typed), "N. N.", "2026-03-10T10:00:00Z")[0]
    kept = record.coupons.set_index("coupon")
    assert kept.loc["P02C-1", ["plate.position", "plate.orientation"]].to_list() == ["centre", "ZX"]
    assert kept.loc["P02C-2", "plate.position"] == ""
    assert not [key for key in value_columns(record.coupons) if key.startswith("plate.")]
    back = read_record(record_files(record), LAID)
    assert back.coupons["plate.position"].to_list() == record.coupons["plate.position"].to_list()


def test_what_was_typed_over_them_is_refused():
    with pytest.raises(InputRefused, match="'centre' was typed over the plan's 'front left'"):
        collected(("Coupons", "P01A-1", {"plate.position": "centre"}))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('positions = ["a", "b", "a", "c", "d"]', r"key 'positions'.*'a' stands there more than once"),
        ('positions = ["a", "b"]', r"key 'positions'.*found 2 positions, and a print has 5 coupons"),
        ('orientation = "XX"', r"key 'orientation'.*found 'XX'.*allowed are 'X', 'Y'"),
        ("positions = [1]", r"key 'positions'.*text is needed"),
    ],
)
def test_nonsense_is_refused(text, words):
    with pytest.raises(InputRefused, match=words):
        parse_study(f"{WHOLE}\n[plate]\n{text}\n")


def test_a_plate_is_read():
    study = parse_study(f'{WHOLE}\n[plate]\npositions = ["a", "b", "c", "d", "e"]\norientation = "ZXY"\n')
    assert (study.plate.positions, study.plate.orientation) == (("a", "b", "c", "d", "e"), "ZXY")
