"""Instruments, ledgers and the plate where they meet the fit, the declared fit and amendments."""

import datetime

import pytest

from doe.errors import InputRefused
from doe.model.values import single_values
from doe.record.corrections import merge
from doe.record.declared import without_confirmations
from doe.record.match import match
from doe.record.plausible import unlikely
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.study.amend import check_amendment, definitions
from doe.study.read import parse_study
from tests.record.test_instruments import GUARDED, recorded
from tests.record.typing_over import matched_book, typed
from tests.sheet.books import DEFINITIONS, NAME, Operator, make_book, make_design, make_study
from tests.study.studies import WHOLE

LATE, EARLY = datetime.datetime(2026, 4, 1), datetime.datetime(2026, 3, 31)
WHEN = "2026-04-10T10:00:00Z"


def test_a_value_after_the_due_day_is_in_doubt_and_counts():
    record = recorded({
        ("Prints", "P01A"): {"printed_on": LATE, "outcome": "completed"},
        ("Coupons", "P01A-1"): {"first_layer_peel": 1.5, "log.tested_on": EARLY},
        ("Coupons", "P01A-2"): {
            "first_layer_peel": 1.6, "force.z_strength": 250, "width.z_strength": 5, "thickness.z_strength": 2,
        },
    })
    strength, peel, *_ = GUARDED.responses
    values = single_values(peel, record)
    assert dict(zip(values.items, values.suspect.tolist(), strict=True)) == {"P01A-1": False, "P01A-2": True}
    assert values.lower.tolist() == [1.5, 1.6]
    assert single_values(strength, record).suspect.tolist() == [False]  # another machine tested it


def test_the_ledger_of_a_confirmation_leaves_the_declared_record_as_it_was():
    study, design = make_study(), make_design(rounds=2)
    design.runs.loc[design.runs["round"] == 2, "kind"] = "confirmation"

    def collected(number):
        hand = Operator(make_book(study, design, number), study, design, number)
        hand.type("Spools", f"S{number}-01", {"lot": "0815", "spool": f"S-{number}"})
        return match(study, design, read_workbook(hand.save(), NAME), DEFINITIONS).record

    first, _ = merge(None, collected(1), "N. N.", WHEN)
    both, _ = merge(first, collected(2), "N. N.", WHEN)
    assert both.spools["spool"].to_list() == ["S-1", "S-2"]
    _, declared = without_confirmations(design, both)
    assert record_files(declared) == record_files(first)
    assert read_record(record_files(declared), study).spools["spool"].to_list() == ["S-1"]


PLATE = f'{WHOLE}\n[plate]\npositions = ["a", "b", "c", "d", "e"]\n'


def test_the_plate_is_part_of_what_a_sheet_depends_on():
    plain, placed = parse_study(WHOLE), parse_study(PLATE)
    assert "plate" not in definitions(plain)
    assert check_amendment(plain, placed, has_plan=True, has_sheets=False) == ()
    with pytest.raises(InputRefused, match="stay as they are on the sheets already written"):
        check_amendment(plain, placed, has_plan=True, has_sheets=True)
    lying = parse_study(WHOLE.replace('formula = "tensile"', 'formula = "tensile"\norientation = "ZX"'))
    with pytest.raises(InputRefused, match="stay as they are on the sheets already written"):
        check_amendment(plain, lying, has_plan=True, has_sheets=True)


def test_an_unknown_key_of_the_plate_is_named_with_the_nearest():
    with pytest.raises(InputRefused, match=r"\[plate\], key 'position' .*did you mean 'positions'"):
        parse_study(PLATE.replace("positions", "position"))


def test_a_setpoint_far_outside_of_what_is_studied_is_named_though_the_printer_could_reach_it():
    book = matched_book(typed(("Prints", "P02C", "used.nozzle_temperature", 26)))
    said = unlikely(make_study(), make_design(), book.record, book.places)
    assert any("used.nozzle_temperature of P02C is 26.0, where 225 to 315 is usual" in one for one in said)
