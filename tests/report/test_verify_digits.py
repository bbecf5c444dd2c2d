"""The one digit that was changed in a carried file is found by its digest, and named by what names it in the file."""

import json
import math

import pandas as pd
import pytest

from doe.files import Folder, digest
from doe.record.match import Record
from doe.report.verify import computed_differences, data_differences
from doe.report.verify_digits import changed_digit, changed_digits_of_log, with_digit_back

FORCES = b"coupon,print,number,force.z,width.z\nP1-1,P1,1,226.6,5.0\nP1-2,P1,2,223.0,4.95\n"


def test_a_digit_is_put_back():
    assert with_digit_back(b"load 26.6 N", {digest(b"load 26.1 N")}) == b"load 26.1 N"


@pytest.mark.parametrize("content", [b"load 27.2 N", b"load 26.1 kN", b"none"])
def test_more_than_a_digit_is_not_guessed(content):
    assert with_digit_back(content, {digest(b"load 26.1 N")}) is None


def test_long_files_are_not_searched():
    long = b"1" * 40_000
    assert with_digit_back(long + b"2", {digest(long + b"1")}) is None


@pytest.mark.parametrize(
    ("name", "before", "after", "place", "values"),
    [
        ("record/coupons.csv", FORCES, FORCES.replace(b"4.95", b"4.85"), "record/coupons.csv, P1-2, width.z", ("4.85", "4.95")),
        ("record/coupons.csv", FORCES, FORCES.replace(b"P1-2", b"P1-1"), "record/coupons.csv, P1-2, coupon", ("P1-1", "P1-2")),
        ("plan.csv", b"round,print\n1,P1\n1,P2\n", b"round,print\n2,P1\n1,P2\n", "plan.csv, P1, round", ("2", "1")),
        ("a.csv", b"x,y\n1,1\n1,1\n", b"x,y\n1,1\n1,7\n", "a.csv, row 2, y", ("7", "1")),
        ("study.toml", b"[a]\nlevel = 0.95\n", b"[a]\nlevel = 0.99\n", "study.toml, line 2", ("level = 0.99", "level = 0.95")),
        ("study.toml", b"a = 1\n# at 26\n", b"a = 1\n# at 28\n", "study.toml, line 2", ("# at 28", "# at 26")),
        ("fit.json", b'{"a": [{"name": "z", "b": 5}]}', b'{"a": [{"name": "z", "b": 6}]}', "fit.json, a [z], b", ("6", "5")),
    ],
)  # fmt: skip
def test_a_changed_digit_is_named_by_its_place(name, before, after, place, values):
    found = changed_digit(name, after, {digest(before)})
    assert found is not None
    assert (found.place, (found.carried, found.before)) == (place, values)
    assert changed_digit(name, before, {digest(b"another")}) is None


@pytest.fixture
def log(tmp_path):
    folder = Folder(tmp_path)
    for number in range(3):
        with folder.locked("plan"):
            folder.commit("plan", {"plan.csv": b"%d" % number}, reads={}, version="1", detail={"prints": 20 + number})
    return (tmp_path / "log.jsonl").read_bytes()


@pytest.mark.parametrize("number", [1, 3])
@pytest.mark.parametrize("key", ["prints", "own", "previous"])
def test_a_changed_digit_of_the_log_is_named(log, number, key):
    """A line in between by the digest that the next line holds, the last one by its own."""
    lines = log.splitlines(keepends=True)
    line = json.loads(lines[number - 1])
    old = str(line["detail"]["prints"]) if key == "prints" else line[key]
    place = next(at for at, one in reversed(list(enumerate(old))) if one.isdigit())
    new = f"{old[:place]}{9 - int(old[place])}{old[place + 1 :]}"
    before, after = (f'"prints": {one}' if key == "prints" else one for one in (old, new))
    lines[number - 1] = lines[number - 1].replace(before.encode(), after.encode())
    (found,) = changed_digits_of_log(b"".join(lines))
    assert found.place == f"log.jsonl, line {number}, " + ("detail, prints" if key == "prints" else key)
    assert (found.carried, found.before) == (new, old)


def test_a_log_that_was_not_touched_has_no_changed_digit(log):
    assert list(changed_digits_of_log(log)) == []
    assert list(changed_digits_of_log(b"{}\nnothing 1\n")) == []


def test_values_are_followed_from_what_was_measured():
    """Force over width times thickness: 200 N on 5 mm x 2 mm are 20 MPa."""
    rows = {
        "coupon": ["P1-1", "P1-2", "P1-3", "P1-4"], "force.z": [200.0, 210.0, math.nan, math.nan], "width.z": [5.0] * 4,
        "thickness.z": [2.0] * 4, "z": [20.0, 20.0, math.nan, 19.0],
    }  # fmt: skip
    empty = pd.DataFrame()
    found = list(computed_differences(Record(empty, pd.DataFrame(rows), empty, empty, empty)))
    assert found == [
        ("P1-2, z", "20 is recorded, 21 follows from force 210, width 5, thickness 2"),
        ("P1-4, z", "19 is recorded, nothing follows from force n/a, width 5, thickness 2"),
    ]


def test_what_is_not_there_is_called_nothing():
    assert list(data_differences({"a": 1.5}, {"a": 1.5, "b": 2}, "f")) == ["f, b: nothing in the report, 2 made anew"]


def test_what_is_empty_says_as_much_as_what_is_missing():
    assert list(data_differences({"a": {}, "b": [None]}, {"b": [[]], "c": None}, "f")) == []
    assert len(list(data_differences({"a": 0, "b": "", "c": False}, {}, "f"))) == 3
