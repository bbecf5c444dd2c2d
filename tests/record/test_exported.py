"""Tables that test machines export as text."""

import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.exported import read_export
from doe.study.amend import protocol
from doe.study.read import parse_study
from tests.sheet.books import make_design, make_study

MACHINE = {
    "identifier": "Specimen", "separator": ";", "decimal": ",", "lines_below_headings": 1, "encoding": "cp1252",
    "columns": {"force.z_strength": "Fmax", "width.z_strength": "b0"},
}
TABLE = "Tensile test of 9 March\n\nSpecimen;Fmax;b0;µ\n;N;mm;-\nP01A-1;1250,5;5,01;x\nP02C-3; 261,000;5;\n\n"


def read(text, written="utf-8", table="coupons", design=None, **form):
    content = text.encode(written)
    return read_export(make_study(exports={table: form}), design or make_design(), content, "machine.csv", table)


def test_a_table_is_read_as_the_study_says():
    book = read(TABLE, "cp1252", **MACHINE)
    rows = book.record.coupons.set_index("coupon")
    assert rows.loc["P01A-1", ["force.z_strength", "width.z_strength"]].to_list() == [1250.5, 5.01]
    assert rows.loc["P02C-3", "force.z_strength"] == 261.0
    assert rows["force.z_strength"].notna().sum() == 2
    assert book.places["coupons", "P02C-3", "force.z_strength"] == "machine.csv, line 6, column 'Fmax'"
    assert "columns that nothing is collected from: µ" in book.remarks[0] and book.read_as == ()


def test_it_joins_the_record_and_only_its_own_values():
    before, _ = merge(None, read("coupon,first_layer_peel,note\nP01A-1,1.5,a\n").record, "", "")
    after, changes = merge(before, read(TABLE, "cp1252", **MACHINE).record, "", "")
    row = after.coupons.set_index("coupon").loc["P01A-1"]
    assert changes == () and (row["first_layer_peel"], row["force.z_strength"], row["note"]) == (1.5, 1250.5, "a")
    assert len(after.prints) == 6 and len(after.coupons) == 18


def test_prints_are_read_by_the_headings_of_the_sheet_or_the_record():
    book = read("Print,Warp (mm),leak_test\nP02C,0.25,pass\n", table="prints")
    row = book.record.prints.set_index("print").loc["P02C"]
    assert (row["warp"], row["leak_test"], row["load"]) == (0.25, "pass", "L01X")


def test_two_rounds_in_one_table():
    book = read("coupon,first_layer_peel\nP01A-1,1.5\nP01A2-1,1.6\n", design=make_design(rounds=2))
    assert book.record.coupons["first_layer_peel"].dropna().to_list() == [1.5, 1.6]
    assert set(book.record.prints["round"]) == {1, 2}


def test_without_a_declared_sign_a_comma_is_read_and_said():
    book = read('coupon,first_layer_peel\nP01A-1,"1,52"\n')
    assert [(one.found, one.value) for one in book.read_as] == [("1,52", "1.52")]


REFUSED = {
    "another separator": ("coupon;note\nP01A-1;a\n", {}, "there is no column 'coupon' in the first lines.*separator"),
    "unknown coupon": ("coupon,first_layer_peel\nP01B-1,1.5\n", {}, "line 2: 'P01B-1' is not in the plan.*did you mean 'P01A-1'"),
    "twice": ("coupon,first_layer_peel\nP01A-1,1.5\nP01A-1,1.6\n", {}, "line 3: 'P01A-1' stands in line 2 already"),
    "without identifier": ("coupon,first_layer_peel\n,1.5\n", {}, "line 2: a line with results has no identifier.*lines_below"),
    "a word": ("coupon,first_layer_peel\nP01A-1,n/a\n", {}, "line 2, column 'first_layer_peel': 'n/a' is not a number"),
    "may be a thousand": ("coupon,first_layer_peel\nP01A-1,1.234\n", {}, "may be a thousand or a fraction"),
    "the other sign": ("coupon,first_layer_peel\nP01A-1,1.25\n", {"decimal": ","}, "the decimal sign ',' is allowed"),
    "not measured for it": ("coupon,first_layer_peel\nP01A-3,1.2\n", {}, "coupon P01A-3 is not measured for it"),
    "unknown key": ("coupon\n", {"columns": {"force.z_strenth": "F"}}, "columns: 'force.z_strenth' .*mean 'force.z_strength'"),
    "heading missing": ("coupon\nP01A-1\n", {"columns": {"force.z_strength": "F"}}, "line 1: there is no column 'F'"),
    "heading twice": ("coupon,note,note\nP01A-1,a,b\n", {}, "two columns are 'note'"),
    "never closed": ('coupon,note\nP01A-1,"a\n', {}, "it cannot be read as CSV"),
    "nothing in it": ("coupon,note\n\n", {}, "there is no line with results"),
    "empty": ("", {}, "there is no column 'coupon'"),
    "value of a lost coupon": ("coupon,outcome,first_layer_peel\nP01A-1,lost,1.2\n", {}, "although the outcome of coupon P01A-1"),
}


@pytest.mark.parametrize(("text", "form", "message"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_collected_is_refused_with_its_line(text, form, message):
    with pytest.raises(InputRefused, match=message):
        read(text, **form)


@pytest.mark.parametrize(("heading", "below"), [("Fmax", "kN"), ("Fmax", "[kN]"), ("Fmax [kN]", ""), ("Fmax (kN)", "N")])
def test_values_in_another_unit_are_refused_and_not_taken_for_the_sheet_s(heading, below):
    form = {**MACHINE, "encoding": "utf-8", "columns": {"force.z_strength": heading}}
    text = f"Specimen;{heading}\n;{below}\nP01A-1;1,25\n"
    with pytest.raises(InputRefused, match=r"line [12]: the values of 'Z strength: force \(N\)' are in kN; values in N"):
        read(text, **form)


def test_a_heading_that_looks_like_a_unit_and_another_spelling_of_one_are_no_other_unit():
    columns = {"force.z_strength": "N", "thickness.z_strength": "h", "first_layer_peel": "P"}
    text = "Specimen;N;h;P\n;(N);[mm];kN/m\nP01A-1;250,5;2,5;1,5\n"
    row = read(text, **{**MACHINE, "encoding": "utf-8", "columns": columns}).record.coupons.set_index("coupon").loc["P01A-1"]
    assert (row["force.z_strength"], row["thickness.z_strength"], row["first_layer_peel"]) == (250.5, 2.5, 1.5)


def test_another_encoding_is_named():
    with pytest.raises(InputRefused, match=r"it is not text in utf-8.*set encoding in \[exports\.coupons\]"):
        read(TABLE, "cp1252", **{**MACHINE, "encoding": "utf-8"})


def test_the_mapping_is_no_part_of_the_protocol():
    text = (
        '[study]\nid = "clip"\ntitle = "t"\nmaterial = "m"\nfamily = "PA-CF"\n'
        '[[factors]]\nname = "a"\nunit = "mm"\nlow = 0\nhigh = 1\nincrement = 0.1\n'
        '[[responses]]\nname = "warp"\nunit = "mm"\nper = "print"\nat_most = 1\n'
    )
    plain = parse_study(text)
    mapped = parse_study(text + '[exports.prints]\nseparator = ";"\ncolumns = { warp = "W [mm]" }\n')
    assert mapped.exports.prints.columns == {"warp": "W [mm]"}
    assert protocol(mapped) == protocol(plain)
    with pytest.raises(InputRefused, match="seperator"):
        parse_study(text + '[exports.prints]\nseperator = ";"\n')
