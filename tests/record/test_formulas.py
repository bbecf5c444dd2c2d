"""Responses that are computed from what the bench measures: sheet, filled in, collected, and what the cells show meanwhile."""

import functools
import io
import math
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import openpyxl
import pytest

from doe.errors import InputRefused
from doe.model.values import single_values
from doe.numerics import strength
from doe.numerics.strength import FORMULAS
from doe.record.corrections import Correction, merge
from doe.record.emptied import emptied_lines
from doe.record.match import match
from doe.record.plausible import unlikely
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.schema import formulas, frame, schema, value_columns, with_stress
from doe.record.together import join
from doe.sheet import layout
from tests.record.typing_over import place_of
from tests.sheet.books import DEFINITIONS, NAME, STUDY, Operator, filled_book, make_book, make_design, make_study

WHO, WHEN = "N. N.", "2026-03-09T16:00:00Z"
TENSILE, _, *OTHERS = STUDY["responses"]
BENCH = make_study(responses=[
    TENSILE,
    {"name": "seam", "unit": "N/mm", "coupons": 2, "formula": "peel", "at_least": 1.2},
    {"name": "bend", "unit": "MPa", "coupons": 3, "formula": "flexural", "at_least": 40},
    {"name": "strike", "unit": "kJ/m²", "coupons": 3, "formula": "charpy_notched", "at_least": 4},
    *OTHERS,
])
FUNCTIONS = {
    "z_strength": strength.tensile_stress, "seam": strength.peel_strength, "bend": strength.flexural_stress,
    "strike": strength.impact_strength,
}
OFFICE = shutil.which("soffice")
PLACE = layout.locations(BENCH, make_design(), 1)["Coupons"]
ROWS = next(one for one in layout.sheets(BENCH, make_design(), 1) if one.name == "Coupons").row_ids()


def numbers(place):
    """Return what is measured on one coupon, by response in the order of the formula's inputs."""
    return {
        "z_strength": (251.3 + place, 5.02, 1.98), "seam": (31.7 + place / 7, 25.03), "bend": (92.4 + place, 64.1, 10.07, 3.97),
        "strike": (0.183 + place / 300, 8.03, 3.96),
    }


def cells(place, name):
    """Return what is typed for one coupon; the third of a print is not peeled."""
    typed = {
        key: value for one in BENCH.responses if one.inputs and not (one.name == "seam" and name.endswith("-3"))
        for key, value in zip(one.inputs, numbers(place)[one.name], strict=True)
    }
    return {"outcome": "completed", **typed}


def hand_of(*changes):
    """Return an operator who has filled in all coupons, and what is typed afterwards: coupon, column key, value."""
    hand = Operator(make_book(BENCH), BENCH)
    for place, name in enumerate(ROWS):
        hand.type("Coupons", name, cells(place, name))
    for name, key, value in changes:
        hand.type("Coupons", name, {key: value})
    return hand


@functools.cache
def filled():
    return read_workbook(hand_of().save(), NAME)


def address(name, key):
    place = PLACE["columns"][key], PLACE["first_row"] + ROWS.index(name)
    return f"{place[0]}{place[1]}"


def collected(*changes, before=None):
    """Return record, corrections and what was matched, after some cells were typed over: coupon, column key, value."""
    book, coupons = filled(), dict(filled().sheets["Coupons"])
    traits = book.traits["Coupons"]
    for name, key, value in changes:
        cell = place_of(address(name, key))
        coupons.pop(cell, None)
        traits = replace(traits, computed=traits.computed - {cell})
        if value is not None:
            coupons[cell] = value
    typed = replace(book, sheets={**book.sheets, "Coupons": coupons}, traits={**book.traits, "Coupons": traits})
    found = match(BENCH, make_design(), typed, DEFINITIONS)
    record, changed = merge(before, found.record, WHO, WHEN)
    return record, changed, found


@pytest.fixture(scope="module")
def whole():
    return collected()[0]


def test_what_is_recorded_is_what_the_formulas_give(whole):
    rows = whole.coupons.set_index("coupon")
    for place, name in enumerate(ROWS):
        for response, given in numbers(place).items():
            if response == "seam" and name.endswith("-3"):
                assert math.isnan(rows.loc[name, response])
            else:
                assert rows.loc[name, response] == pytest.approx(float(FUNCTIONS[response](*given)), rel=1e-12)
    # by hand: 3 * 92.4 N * 64.1 mm / (2 * 10.07 mm * 3.97^2 mm^2), and 1000 * 0.183 J / (3.96 mm * 8.03 mm)
    assert rows.loc["P01A-1", "bend"] == pytest.approx(17768.52 / 317.424526, rel=1e-9)
    assert rows.loc["P01A-1", "strike"] == pytest.approx(183 / 31.7988, rel=1e-9)
    again = read_record(record_files(whole), BENCH)
    assert record_files(again) == record_files(whole)


def test_no_break_is_a_lower_limit():
    record, _, _ = collected(("P01A-1", "outcome", "no break"))
    bend = next(one for one in BENCH.responses if one.name == "bend")
    values = single_values(bend, record)
    stress = float(strength.flexural_stress(*numbers(0)["bend"]))
    assert values.lower[0] == pytest.approx(stress, rel=1e-12) and values.upper[0] == math.inf
    assert values.lower[1] == values.upper[1]


def test_a_changed_input_is_the_correction_and_the_value_follows(whole):
    after, changes, _ = collected(("P02C-1", "span.bend", 60.0), ("P02C-1", "energy.strike", 0.25), before=whole)
    assert changes == (
        Correction("coupons", "P02C-1", "span.bend", "64.1", "60.0"),
        Correction("coupons", "P02C-1", "energy.strike", repr(numbers(3)["strike"][0]), "0.25"),
    )
    row = after.coupons.set_index("coupon").loc["P02C-1"]
    force, _, width, thickness = numbers(3)["bend"]
    assert row["bend"] == pytest.approx(float(strength.flexural_stress(force, 60, width, thickness)), rel=1e-12)


def test_what_never_was_tested_has_no_result_and_keeps_its_dimensions(whole):
    lost = [(name, key, None) for name in ("P03D-1",) for key in cells(0, name) if key.startswith(("force.", "energy."))]
    after, changes, _ = collected(*lost, ("P03D-1", "outcome", "broke in handling"), before=whole)
    row = after.coupons.set_index("coupon").loc["P03D-1"]
    assert np.isnan([row[key] for key in ("force.bend", "energy.strike", *FUNCTIONS)]).all()
    assert (row["span.bend"], row["width.strike"]) == (64.1, 8.03)
    assert {one.column for one in changes} == {"outcome", "force.z_strength", "force.seam", "force.bend", "energy.strike"}


def test_a_result_of_what_never_was_tested_is_refused():
    with pytest.raises(InputRefused, match="a value, although the outcome of coupon P03D-1 is 'detached'") as refused:
        collected(("P03D-1", "outcome", "detached"))
    results = ("force.z_strength", "force.seam", "force.bend", "energy.strike")
    assert {one.where.split("cell ")[1] for one in refused.value.problems} == {address("P03D-1", key) for key in results}


def test_dimensions_that_are_still_to_come_are_said():
    _, _, book = collected(("P01A-1", "span.bend", None), ("P01A-1", "width.seam", None))
    assert "seam of coupons P01A-1 waits for their width." in book.remarks
    assert "bend of coupons P01A-1 waits for their span, width and thickness." in book.remarks


@pytest.mark.parametrize("wrong", [0, -2.5])
def test_impossible_inputs_are_refused_with_their_cells(wrong):
    keys = [key for one in BENCH.responses for key in one.inputs]
    with pytest.raises(InputRefused, match=f"{wrong:g} is not possible here; a number above zero is allowed") as refused:
        collected(*(("P02C-1", key, wrong) for key in keys))
    problems = refused.value.problems
    assert [one.where for one in problems] == [f"{NAME}, sheet Coupons, cell {address('P02C-1', key)}" for key in keys]
    said = {(one.found, one.allowed) for one in problems}
    assert said == {(f"{wrong:g} is not possible here", "a number above zero is allowed")}


def test_an_emptied_input_is_said_and_what_follows_from_it_is_not(whole):
    _, _, book = collected(("P02C-1", "energy.strike", None))
    lines = emptied_lines(whole, join([book], whole))
    assert lines[0].startswith("energy.strike of P02C-1 is on record, but its cell is empty now") and len(lines) == 2


def test_an_unlikely_input_is_named_once_and_an_unlikely_value_at_its_input():
    slips = ("P02C-1", "energy.strike", 60.0), ("P02C-2", "span.bend", 641.0), ("P02C-3", "energy.strike", 1.9)
    record, _, book = collected(*slips)
    lines = unlikely(BENCH, make_design(), record, book.places)
    cells = [address("P02C-1", "energy.strike"), address("P02C-2", "span.bend"), address("P02C-2", "force.bend"),
             address("P02C-3", "energy.strike")]
    assert sorted(line.split("cell ")[1].split(":")[0] for line in lines) == sorted(cells)
    assert [line for line in lines if "strike of P02C-3 is 59.7" in line] != []


def test_a_number_over_the_formula_is_refused_unless_it_is_the_same():
    same = float(strength.flexural_stress(*numbers(0)["bend"]))
    assert collected(("P01A-1", "bend", same))[1] == ()
    with pytest.raises(InputRefused, match="it follows from force, span, width and thickness"):
        collected(("P01A-1", "bend", same * 1.01))
    with pytest.raises(InputRefused, match="it follows from energy, width and thickness"):
        collected(("P01A-1", "strike", 7.0))


def test_a_workbook_from_before_reads_as_before():
    study, design = make_study(), make_design()
    place = layout.locations(study, design, 1)["Coupons"]
    book = openpyxl.load_workbook(io.BytesIO(filled_book()))
    letters = [place["columns"][f"{part}.z_strength"] for part in ("force", "width", "thickness")]
    for row in range(place["first_row"], place["last_row"] + 1):
        force, width, thickness = (f"${letter}{row}" for letter in letters)
        # what stood there as long as "tensile" was the only formula
        old = f'=IF(COUNT({force},{width},{thickness})=3,{force}/({width}*{thickness}),"")'
        cell = book["Coupons"][f"{place['columns']['z_strength']}{row}"]
        assert cell.value == f'=IF(MIN({force},{width},{thickness})>0,{old[1:]},"")'
        cell.value = old
    content = io.BytesIO()
    book.save(content)
    before, now = (
        match(study, design, read_workbook(one, NAME), DEFINITIONS).record for one in (content.getvalue(), filled_book())
    )
    assert record_files(before) == record_files(now)
    rows = before.coupons.dropna(subset=["force.z_strength"])
    stress = rows["force.z_strength"] / (rows["width.z_strength"] * rows["thickness.z_strength"])
    assert len(rows) == 15 and (rows["z_strength"] == stress).all()
    assert list(before.coupons)[5:9] == ["force.z_strength", "width.z_strength", "thickness.z_strength", "z_strength"]


@pytest.mark.parametrize("name", FORMULAS)
def test_every_formula_is_known_again_by_its_columns(name):
    formula = FORMULAS[name]
    study = make_study(responses=[{"name": "y", "unit": formula.unit, "formula": name, "at_least": 1}])
    columns = schema(study)["coupons"]
    found = formulas(columns)["y"]
    assert [one.key for one in found.inputs] == [one.key for one in formula.inputs]
    assert (found.function, found.arithmetic, found.unit) == (formula.function, formula.arithmetic, formula.unit)
    coupons = frame(columns, [{"coupon": "P01A-1"}])
    measured, *dimensions = study.responses[0].inputs
    assert list(formulas(coupons)) == ["y"] and value_columns(coupons) == [measured, "y"]
    assert set(dimensions) < set(coupons)


def test_what_cannot_be_computed_is_missing():
    columns = schema(BENCH)["coupons"]
    inputs = ("force.bend", "span.bend", "width.bend", "thickness.bend")
    rows = (
        (90.0, 64.0, 10.0, 4.0), (0.0, 64.0, 10.0, 4.0), (90.0, 64.0, 10.0, 0.0), (90.0, -64.0, 10.0, 4.0),
        (math.nan, 64.0, 10.0, 4.0), (90.0, 64.0, 10.0, math.nan),
    )  # fmt: skip
    table = frame(columns, [dict(zip(inputs, row, strict=True)) for row in rows])
    assert with_stress(table)["bend"].to_list() == pytest.approx([54.0, 0.0, *[math.nan] * 4], nan_ok=True)
    assert with_stress(frame(columns, ()))["bend"].empty


@pytest.mark.office
@pytest.mark.skipif(OFFICE is None, reason="LibreOffice Calc is not installed")
def test_the_cells_show_what_is_recorded_and_never_an_error(tmp_path, whole):
    wrong = {"P05F-1": 0, "P05F-2": -3.0, "P06H-1": None, "P06H-2": "n/a"}
    last = [list(one.inputs)[-1] for one in BENCH.responses if one.inputs]  # a dimension that the formula divides by
    hand = hand_of(*((name, key, value) for name, value in wrong.items() for key in last))
    (tmp_path / "book.xlsx").write_bytes(hand.save())
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = [OFFICE, profile, "--headless", "--convert-to", "xlsx", "--outdir", tmp_path / "out", tmp_path / "book.xlsx"]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    page = openpyxl.load_workbook(tmp_path / "out" / "book.xlsx", data_only=True)["Coupons"]
    rows = whole.coupons.set_index("coupon")
    for name in ROWS:
        for response in FUNCTIONS:
            shown, value = page[hand.address("Coupons", name, response)].value, rows.loc[name, response]
            if name in wrong or math.isnan(value):
                assert shown in (None, ""), (name, response)
            else:
                assert shown == pytest.approx(value, rel=1e-12)
