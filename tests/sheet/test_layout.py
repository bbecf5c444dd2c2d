import datetime
import io

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design.plan import Design
from doe.sheet import layout
from tests.sheet.books import DEFINITIONS, PRINTS, make_design, make_study, rows_of_round


def keys(sheet):
    return [column.key for column in sheet.columns]


def by_name(study, design=None):
    return {sheet.name: sheet for sheet in layout.sheets(study, design or make_design(), 1)}


def test_prints_columns_stand_in_their_order():
    assert keys(by_name(make_study())["Prints"]) == [
        "order", "print", "load", "printer",
        "target.nozzle_temperature", "set.nozzle_temperature", "used.nozzle_temperature",
        "target.z_offset", "set.z_offset", "used.z_offset", "set.bed_surface", "used.bed_surface",
        "target.drying_time", "set.drying_time", "outcome", "deviation", "live.state", "bed_grade", "leak_test", "warp",
        "log.out_of_dry_box", "log.nozzle_temperature_actual", "log.bed_temperature_actual", "log.grams_through_nozzle",
        "log.photographs", "operator", "printed_on", "note",
    ]


def test_coupons_ask_for_force_and_dimensions_where_a_formula_is_given():
    assert keys(by_name(make_study())["Coupons"]) == [
        "coupon", "print", "number", "live.print_outcome", "outcome", "deviation", "live.state", "force.z_strength",
        "width.z_strength", "thickness.z_strength", "z_strength", "outcome.z_strength", "first_layer_peel",
        "outcome.first_layer_peel", "log.tested_by", "log.tested_on", "log.conditioning", "log.break_location",
        "log.photographs", "note",
    ]


def test_loads_and_checks_columns():
    made = by_name(make_study())
    assert keys(made["Loads"]) == [
        "load", "target.drying_time", "set.drying_time", "used.drying_time", "prints", "live.state", "spool", "dried_from",
        "dried_to", "oven_reading", "mass_before", "mass_after", "log.empty_spool", "log.dried_by", "log.dryer",
        "live.mass_lost", "note",
    ]
    assert keys(made["Printer checks"]) == ["reading", "printer", "factor", "set", "actual", "instrument", "read_on"]
    assert len(made["Printer checks"].rows) == 24


def test_headers_are_words_with_units():
    headers = {column.key: column.header for sheet in by_name(make_study()).values() for column in sheet.columns}
    assert headers["target.nozzle_temperature"] == "Nozzle temperature, target (°C)"
    assert headers["force.z_strength"] == "Z strength: force (N)"
    assert headers["z_strength"] == "Z strength (MPa), computed"
    assert headers["first_layer_peel"] == "First layer peel (N/mm)"


def test_coupons_are_numbered_and_those_beyond_a_response_are_closed():
    coupons = by_name(make_study())["Coupons"]
    assert coupons.row_ids()[:4] == ["P01A-1", "P01A-2", "P01A-3", "P02C-1"]
    assert {key for row, key in coupons.closed if row == "P01A-3"} == {"first_layer_peel", "outcome.first_layer_peel"}
    assert not [key for row, key in coupons.closed if row == "P01A-2"]


def test_no_coupons_sheet_without_a_response_per_coupon():
    study = make_study(responses=[{"name": "warp", "unit": "mm", "per": "print", "at_most": 0.8}])
    assert "Coupons" not in by_name(study)


def test_no_loads_and_no_printers_where_the_plan_has_none():
    design = Design(runs=rows_of_round(1).assign(load="", printer=""))
    made = by_name(make_study(printers=[]), design)
    assert "Loads" not in made
    assert not {"load", "printer"} & set(keys(made["Prints"]))
    assert "used.drying_time" in keys(made["Prints"])
    assert "printer" not in keys(made["Printer checks"])


def test_no_checks_where_nothing_can_be_read_on_a_printer():
    factors = [{"name": "bed_surface", "levels": ["a", "b"]},
               {"name": "drying_time", "unit": "h", "low": 4, "high": 12, "increment": 0.5, "change": "load"}]
    assert "Printer checks" not in by_name(make_study(factors=factors))


def test_rows_follow_the_run_order_and_bands_the_loads():
    shuffled = rows_of_round(1).sample(frac=1.0, random_state=3)
    prints = by_name(make_study(), Design(runs=shuffled))["Prints"]
    assert prints.row_ids() == list(PRINTS)
    assert prints.bands == (0, 0, 1, 1, 2, 2)


def test_timetable_columns_follow_the_study():
    study, design = make_study(), make_design()
    assert keys(layout.timetable_sheet(study, design, 1)) == [
        "step", "day", "time", "what", "load", "prints", "printer", "note",
    ]
    bare = make_study(printers=[], budget={"start": datetime.date(2026, 3, 2)})
    unloaded = Design(runs=rows_of_round(1).assign(load="", printer=""))
    assert keys(layout.timetable_sheet(bare, unloaded, 1)) == ["step", "day", "date", "time", "what", "prints", "note"]


def test_the_timetable_is_no_table_that_is_read_again():
    assert "Timetable" not in by_name(make_study())
    place = layout.locations(make_study(), make_design(), 1)["Timetable"]
    assert place["fill"] == []
    sheet = layout.timetable_sheet(make_study(), make_design(), 1)
    assert (place["header_row"], place["first_row"]) == (2 + len(sheet.cautions) + 1, 2 + len(sheet.cautions) + 2)
    assert place["last_row"] == place["header_row"] + len(sheet.rows)


def test_what_does_not_work_out_stands_above_the_timetable():
    # One spool on two printers with half an hour to start all prints: the second print of every load is late.
    sheet = layout.timetable_sheet(make_study(oven={"out_hours": 0.5}), make_design(), 1)
    (said,) = [line for line in sheet.cautions if "prints beyond the time out of the dryer" in line]
    assert "L01X: 1 of 2" in said


def test_headers_that_would_read_alike_stay_distinct():
    responses = [{"name": "z_strength", "unit": "MPa", "at_least": 1}, {"name": "z__strength", "unit": "MPa", "at_least": 1}]
    headers = [column.header for column in by_name(make_study(responses=responses))["Coupons"].columns]
    assert len({" ".join(header.split()).casefold() for header in headers}) == len(headers)


def test_a_setpoint_is_bounded_only_where_every_printer_has_a_limit():
    used = by_name(make_study())["Prints"].columns[6]
    assert (used.low, used.high) == (0, 300)
    free = make_study(printers=[{"name": "A", "limits": {"nozzle_temperature": [0, 300]}}, {"name": "B"}])
    used = by_name(free)["Prints"].columns[6]
    assert (used.low, used.high) == (None, None)


def test_coupons_of_several_tests_are_told_apart_above_them():
    strength = {"name": "z_strength", "unit": "MPa", "coupons": 3, "at_least": 1}
    (said,) = by_name(make_study())["Coupons"].remarks
    assert said.endswith("share a row: z strength 1–3 (upright); first layer peel 1–2.")
    assert not by_name(make_study(responses=[strength]))["Coupons"].remarks


def test_locations_say_where_everything_is():
    found = layout.locations(make_study(), make_design(), 1)
    assert found["Prints"]["columns"]["print"] == "B"
    assert (found["Prints"]["header_row"], found["Prints"]["first_row"], found["Prints"]["last_row"]) == (2, 3, 8)
    assert (found["Coupons"]["header_row"], found["Coupons"]["last_row"]) == (3, 3 + 18)  # one line says what each is for
    assert found["Instructions"]["rows"]["digest"] == 8
    assert "outcome" in found["Prints"]["fill"]


@pytest.mark.parametrize(("number", "name"), [(1, "A"), (26, "Z"), (27, "AA"), (52, "AZ"), (703, "AAA")])
def test_letter(number, name):
    assert layout.letter(number) == name


def test_digest_survives_a_plan_written_and_read_as_text():
    runs = rows_of_round(1)
    again = pd.read_csv(io.StringIO(runs.to_csv(index=False)), keep_default_na=False)
    assert layout.plan_digest(DEFINITIONS, again) == layout.plan_digest(DEFINITIONS, runs)


def test_digest_does_not_depend_on_whether_whole_numbers_are_integers():
    runs = rows_of_round(1)
    whole = runs.astype({"set.nozzle_temperature": "int64"})
    assert layout.plan_digest(DEFINITIONS, whole) == layout.plan_digest(DEFINITIONS, runs)


@given(row=st.integers(0, 5), column=st.sampled_from(["print", "load", "printer", "set.z_offset", "target.bed_surface", "order"]))
def test_digest_changes_with_any_cell_of_the_plan(row, column):
    runs, changed = rows_of_round(1), rows_of_round(1)
    old = changed.loc[row, column]
    changed.loc[row, column] = f"{old}x" if isinstance(old, str) else old + 1
    assert layout.plan_digest(DEFINITIONS, changed) != layout.plan_digest(DEFINITIONS, runs)


JSON = st.one_of(st.integers(), st.text(max_size=5), st.floats(allow_nan=False, allow_infinity=False))


@settings(max_examples=40)
@given(st.dictionaries(st.text(max_size=5), JSON))
def test_digest_changes_with_the_definitions(definitions):
    runs = rows_of_round(1)
    digest = layout.plan_digest(definitions, runs)
    assert len(digest) == 64
    assert digest == layout.plan_digest(dict(reversed(definitions.items())), runs)
    assert digest != layout.plan_digest({**definitions, "another": 1}, runs)
