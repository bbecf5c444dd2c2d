"""How sheets fall on paper: what a page holds is counted here anew from the sizes of the paper."""

import dataclasses
import itertools

import pandas as pd
import pytest

from doe.design.plan import Design
from doe.sheet import layout, pages
from tests.sheet.books import make_design, make_study, rows_of_round


def table(name="Prints", study=None, design=None):
    made = layout.sheets(study or make_study(), design or make_design(), 1)
    return next(sheet for sheet in made if sheet.name == name)


def many(prints, loads):
    base = rows_of_round(1)
    runs = pd.concat([base] * -(-prints // len(base)), ignore_index=True).head(prints)
    number = range(prints)
    names, filled = [f"P{place}" for place in number], [f"L{place * loads // prints}" for place in number]
    return Design(runs=runs.assign(order=[place + 1 for place in number], print=names, load=filled))


def mm_across(columns, scale):
    """Ten-point characters of 7 pixels at 96 to the inch."""
    return sum(column.width for column in columns) * 7 / 96 * 25.4 * scale / 100


@pytest.mark.parametrize("name", ["Prints", "Coupons", "Loads", "Printer checks"])
def test_every_page_fits_across_a4_and_letter_turned(name):
    sheet = table(name)
    paper = pages.pages(sheet)
    ends = [sheet.through_id, *paper.columns, len(sheet.columns)]
    repeated = sheet.columns[: sheet.through_id]
    for start, end in itertools.pairwise(ends):
        across = mm_across((*repeated, *sheet.columns[start:end]), paper.scale)
        assert across <= min(297, 279.4) - 2 * 0.4 * 25.4


@pytest.mark.parametrize(("prints", "loads"), [(30, 6), (60, 15), (40, 4)])
def test_a_load_is_divided_only_where_it_is_longer_than_a_page(prints, loads):
    sheet = table(design=many(prints, loads))
    paper = pages.pages(sheet)
    room = (min(210, 215.9) / 25.4 - 0.85 - 0.6) * 72 * 100 / paper.scale
    above = 22 + paper.header_height
    starts = [0, *(end - sheet.header_row for end in paper.rows), len(sheet.rows)]
    for start, end in itertools.pairwise(starts):
        if end < len(sheet.rows):
            assert sheet.bands[end - 1] != sheet.bands[end]
        if sum(paper.heights[start:end]) + above > room:
            assert len(set(sheet.bands[start:end])) == 1


def test_rows_leave_room_to_write():
    paper = pages.pages(table("Coupons"))
    assert all(height * paper.scale / 100 >= 17.99 for height in paper.heights)  # points; 6.3 mm


def test_pages_end_between_parts():
    sheet = table()
    parts = [column.part for column in sheet.columns]
    assert [(parts[end - 1], parts[end]) for end in pages.pages(sheet).columns] == [("plan", "result"), ("result", "more")]


def test_a_part_that_is_wider_than_a_page_begins_where_there_is_room():
    of_all = {"unit": "MPa", "formula": "flexural", "at_least": 1}
    sheet = table("Coupons", make_study(responses=[{"name": f"{place}_strength_of_a_long_name", **of_all} for place in "abc"]))
    keys = [column.key for column in sheet.columns]
    ends = pages.pages(sheet).columns
    assert ends and ends[0] > keys.index("outcome")  # not after the three columns of the plan
    assert all(keys[end - 1].rpartition(".")[2] != keys[end].rpartition(".")[2] for end in ends)


def test_a_heading_is_never_the_last_row_of_an_upright_page():
    room = (min(297, 279.4) / 25.4 - 0.85 - 0.6) * 72 * 100 / 90
    for first in range(40):  # rows before the heading
        heights = [20.0] * first + [22.0] + [30.0] * 40
        scale, ends = pages.front(heights, {first + 1})
        assert scale == 90 and first + 1 not in ends and ends == tuple(sorted(set(ends)))
        for start, end in itertools.pairwise([0, *ends, len(heights)]):
            assert 0 < sum(heights[start:end]) <= room


def test_what_must_not_be_overlooked_stands_on_every_page_with_planned_values():
    factors = [{"name": f"{place}_speed_of_a_fan", "unit": "%", "low": 0, "high": 9} for place in "abcdefgh"]
    study = make_study(factors=factors, printers=[])
    keys = {f"{kind}.{one['name']}": 1.0 for one in factors for kind in ("target", "set")}
    runs = rows_of_round(1).filter(["round", "order", "print", "load", "printer", "point", "cell", "kind", "seed"]).assign(**keys)
    sheet = table(study=study, design=Design(runs=runs.assign(printer="")))
    ends = pages.pages(sheet).columns
    places = pages.remark_places(sheet, ends)
    assert 1 < len(places) < len(ends) + 1 and places[0] == (sheet.through_id, ends[0])
    shown = {column.key for start, end in places for column in sheet.columns[start:end]}
    assert set(keys) <= shown and "note" not in shown
    assert pages.remark_places(sheet, ()) == [(0, len(sheet.columns))]


def test_target_setpoint_and_what_was_used_are_not_divided():
    factors = [{"name": f"{place}_speed_of_a_fan", "unit": "%", "low": 0, "high": 9} for place in "abcdefgh"]
    study = make_study(factors=factors, printers=[])
    keys = {f"{kind}.{one['name']}": 1.0 for one in factors for kind in ("target", "set")}
    runs = rows_of_round(1).filter(["round", "order", "print", "load", "printer", "point", "cell", "kind", "seed"]).assign(**keys)
    sheet = table(study=study, design=Design(runs=runs.assign(printer="")))
    ends = pages.pages(sheet).columns
    assert [end for end in ends if sheet.columns[end].part == "plan"]  # a part that is too wide for a page
    for end in ends:
        before, after = (sheet.columns[place].key.rpartition(".")[2] for place in (end - 1, end))
        assert before != after


def test_text_is_given_its_lines():
    assert pages.lines("", 10) == 1
    assert pages.lines("nine char", 10) == 1
    assert pages.lines("two words that are too long", 12) >= 3
    assert pages.lines("a\nb", 40) == 2
    tall = dataclasses.replace(table(), cautions=("word " * 100,))
    assert pages.title_height(tall) > pages.title_height(table()) + 2 * pages.POINTS_PER_LINE
