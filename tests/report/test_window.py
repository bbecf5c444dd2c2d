"""The tables of the process window, as a reader sees them."""

import dataclasses

import pytest

from doe.recommend.loads_to_show import Shown
from doe.recommend.window import Reach, Window
from doe.report import window
from doe.report.tables import Table, in_fonts, plain_text

NOZZLE = Reach(
    "nozzle_temperature", "°C", 272.0, 268.0, 285.0, (), (255.0, 285.0), 2.0, True, 4.25, 2.0, True,
    ("bound", "end of what was tried"),
)
FAN = Reach(
    "fan", "%", 0.0, 0.0, 50.0, (), (0.0, 50.0), 5.0, False, 5.0, None, False,
    ("end of what was tried", "end of what was tried"),
)
DRYING = Reach("drying_time", "h", 9.0, 8.5, 9.0, (), (4.0, 12.0), 0.5, True, 0.5, 0.0, True, ("constraint", "prints"))
SURFACE = Reach(
    "bed_surface", "", "glass", None, None, ("glass", "textured sheet"), ("glass", "textured sheet", "PEI"), None, False, None,
    None, True, ("", ""),
)
FOUND = Window(
    required=0.9, quantile=0.0482347995, level=0.95, reaches=(NOZZLE, FAN, DRYING, SURFACE), reason="", narrowest="drying_time",
    estimate=0.98, lower=0.93, by_response={"z_strength": 0.981, "warp": 0.999}, bound_share=0.078125, estimate_share=0.25,
    best_bound=0.93, best_estimate=0.98, looked_at=128, settings=396, checked=396, complete=True,
)
NONE = dataclasses.replace(
    FOUND, reaches=(), reason="bound", narrowest="", lower=0.8199, best_bound=0.83, bound_share=0.0, settings=0, checked=0,
    complete=False, after=(Shown(3, 0.871), Shown(6, 0.8999), Shown(10, 0.9)),
)


def test_one_row_a_factor():
    table = window.window_table(FOUND)
    assert table.title == "Process window"
    assert table.rows[0] == (
        "nozzle temperature", "°C", "268", "285", "272", "4.2", "2.0",
        "low end: the bound is too low; high end: the end of what was tried",
    )
    assert table.rows[1] == ("fan", "%", "0", "50", "0", "5.0*", "none", "not critical within what was tried")
    assert table.rows[2][5:] == (
        "0.5", "0.0",
        "narrower than the setpoint error; narrowest; low end: a constraint; high end: no prints cover what is beyond",
    )
    assert table.rows[3] == ("bed surface", "", "glass, textured sheet", "", "glass", "", "", "bound too low at the other levels")


def test_what_the_reader_must_know():
    note = window.window_table(FOUND).note
    for said in (
        "at least 90 %", "the intervals hold together", "each setting by itself, with 95 % confidence",
        "the posterior 4.82 % quantile",
        "Scatter of the actual value about its setpoint is in the bound already", "* In increments", "All 396 settings",
    ):
        assert said in note
    assert in_fonts(note) == note


def test_a_window_that_was_not_evaluated_whole_says_so():
    note = window.window_table(dataclasses.replace(FOUND, settings=93177, checked=329, complete=False)).note
    assert "Of the 93177 settings of the increments in it 329 were evaluated" in note and "All" not in note


def test_increments_and_missing_ends_are_explained_only_where_they_are():
    note = window.window_table(dataclasses.replace(FOUND, reaches=(NOZZLE, SURFACE))).note
    assert "increments: no" not in note and "None:" not in note


@pytest.mark.parametrize(
    ("change", "remark"),
    [
        ({"tried": (272.0, 272.0), "low": 272.0, "high": 272.0}, "only one value was tried"),
        (
            {"nearer": 0.5},
            "its middle leaves more room than the recommended value; low end: the bound is too low; high end: the end of what was"
            " tried",
        ),
        ({"ends": ("not tried further", "bound")}, "low end: not tried further; high end: the bound is too low"),
    ],
)  # fmt: skip
def test_remarks(change, remark):
    found = dataclasses.replace(FOUND, reaches=(dataclasses.replace(NOZZLE, **change),))
    assert window.window_table(found).rows[0][-1] == remark


def test_without_a_window_it_says_what_more_loads_would_show():
    tables = window.window_tables(NONE)
    assert [table.title for table in tables] == ["What confirmation prints are expected to show", "How much of the region passes"]
    assert tables[0].rows == (("3", "87.1 %", "no"), ("6", "89.9 %", "no"), ("10", "90.0 %", "yes"))
    facts = dict(tables[1].rows)
    assert facts["process window"] == "none: at the recommended setting the bound is below 90 %"
    assert facts["bound at the recommended setting"] == "81.9 %"  # never rounded up


def test_share_of_the_region_with_a_window():
    assert dict(window.window_tables(FOUND)[1].rows) == {
        "bound high enough": "7.8 % of 128 settings looked at, evenly spread over what may be recommended",
        "estimate high enough": "25.0 % of them",
    }
    assert [table.title for table in window.window_tables(FOUND)] == ["Process window", "How much of the region passes"]


def test_tables_fit_a_terminal():
    for found in (FOUND, NONE):
        for table in window.window_tables(found):
            assert max(map(len, plain_text(table, 100).splitlines())) <= 100


def test_a_setting_shows_the_window_beside_each_value():
    setting = Table(
        "Recommended setting", ("Factor", "Unit", "Setting (actual)", "Set on A"),
        (("nozzle temperature", "°C", "272", "275"), ("bed surface", "", "glass", "glass"), ("lot", "", "7", "7")), "llrr",
    )  # fmt: skip
    shown = window.with_window(setting, FOUND)
    assert shown.columns == ("Factor", "Unit", "Setting (actual)", "Process window", "Set on A") and shown.align == "llrrr"
    assert [row[3] for row in shown.rows] == ["268 to 285", "glass, textured sheet", ""]
    assert window.with_window(setting, NONE).note == "There is no process window; section 7 says why."
    assert window.with_window(setting, None) == setting
