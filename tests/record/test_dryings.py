"""Hours in the dryer that are not those that count, and coupons of a print that nobody wrote anything of."""

import datetime

import pytest

from doe.record.corrections import Beside, merge
from doe.record.dryings import hours_lines
from doe.record.together import join
from doe.record.unprinted import unprinted_lines
from tests.record.typing_over import address, matched_book, typed
from tests.sheet.books import filled_book, make_design, make_study, opened

STARTS = datetime.datetime(2026, 3, 1, 8, 0)


def dried(load, hours, *more):
    """Return what is said of one load that was in the dryer for some hours; nothing is typed of the others."""
    others = [("Loads", name, "dried_to", None) for name in ("L01X", "L02R", "L03K") if name != load]
    times = (("Loads", load, "dried_from", STARTS), ("Loads", load, "dried_to", STARTS + datetime.timedelta(hours=hours)))
    book = matched_book(typed(*others, *times, *more))
    return hours_lines(make_study(), make_design(), book.record, book.places)


def test_a_load_that_was_in_the_dryer_for_other_hours_is_named_with_its_cells():
    (line,) = dried("L01X", 6.75)
    where = f"round-1.xlsx, {address('Loads', 'L01X', 'dried_from')} and {address('Loads', 'L01X', 'dried_to').split(', ')[1]}"
    assert line.startswith(f"Please look again, {where}: load L01X was in the dryer for 6.75 h, and counts as dried for 4 h.")
    heading = opened(filled_book())["Loads"][address("Loads", None, "used.drying_time").split("cell ")[1]].value
    assert f"Write what it had under '{heading}'" in line
    assert line.endswith("They are recorded as they stand.")


@pytest.mark.parametrize(("hours", "named"), [
    (3.4, True), (3.6, False), (4.0, False), (4.9, False), (5.1, True),  # 4 h; half an hour more with its warm-up
])  # fmt: skip
def test_half_an_hour_and_the_warm_up_are_allowed(hours, named):
    assert bool(dried("L01X", hours)) is named


@pytest.mark.parametrize(("hours", "named"), [(10.9, False), (10.7, True), (13.6, False), (13.8, True)])
def test_of_long_dryings_a_tenth_is_allowed(hours, named):
    assert bool(dried("L03K", hours)) is named  # 12 h


def test_the_hours_that_were_used_are_those_that_count():
    assert dried("L01X", 6.75, ("Loads", "L01X", "used.drying_time", 6.75)) == ()
    assert len(dried("L01X", 4, ("Loads", "L01X", "used.drying_time", 6.75))) == 1


def test_minutes_are_compared_as_hours():
    factors = [one.model_copy(update={"unit": "min"}) if one.name == "drying_time" else one for one in make_study().factors]
    book = matched_book(typed())
    lines = hours_lines(make_study().model_copy(update={"factors": tuple(factors)}), make_design(), book.record, book.places)
    assert len(lines) == 3 and "for 6.333 h, and counts as dried for 0.06667 h" in lines[0]  # 4 min


def test_what_was_collected_before_is_not_named_again():
    book = matched_book(typed())
    assert hours_lines(make_study(), make_design(), book.record, {}) == ()


BLANK = [("Prints", "P02C", key, None) for key in ("outcome", "operator", "printed_on", "bed_grade", "leak_test", "warp")]


def said(*changes, before=None):
    joined = join([matched_book(typed(*changes))], before)
    beside = Beside(places=joined.beside.places)
    record, _ = merge(before, joined.record, "N. N.", "2026-03-08T08:00:00Z", beside)
    return unprinted_lines(record, joined.beside.places, joined.blank), record


def test_coupons_of_a_print_of_which_nothing_is_written_are_asked_about():
    (line,), _ = said(*BLANK)
    assert "sheet Coupons, cell " in line
    assert line.endswith(": P02C has coupons but nothing on Prints: was it printed? Is it the right row? It counts as completed.")


@pytest.mark.parametrize("change", [("Prints", "P02C", "note", "ok"), ("Prints", "P02C", "used.nozzle_temperature", 280)])
def test_anything_that_is_written_of_the_print_is_enough(change):
    assert said(*BLANK, change)[0] == ()


def test_what_was_used_for_all_of_a_load_says_nothing_of_one_print():
    assert len(said(*BLANK, ("Loads", "L01X", "used.drying_time", 5))[0]) == 1


def test_a_print_that_is_on_record_is_not_asked_about_nor_one_without_coupons():
    _, record = said()
    assert said(*BLANK, before=record)[0] == ()
    coupons = [
        ("Coupons", f"P02C-{number}", key, None) for number in (1, 2, 3)
        for key in ("outcome", "force.z_strength", "width.z_strength", "thickness.z_strength", "first_layer_peel")
        if (number, key) != (3, "first_layer_peel")
    ]
    assert said(*BLANK, *coupons)[0] == ()


def test_many_prints_are_one_line():
    names = ("P01A", "P02C", "P05F", "P06H")
    every = [("Prints", name, key, None) for name in names for _, _, key, _ in BLANK]
    (line,), _ = said(*every)
    assert line.startswith("Prints P01A, P02C, P05F, P06H have coupons but nothing on Prints: were they printed?")
