"""What a tired or a hostile user does: each gets exit 3, file and key or cell, what to do, and nothing on disk changes."""

import json

import pytest
from openpyxl import Workbook, load_workbook

from tests.cli.conftest import TWO_FACTORS, snapshot

STUDY = TWO_FACTORS + """
[[responses]]
name = "z_strength"
unit = "MPa"
coupons = 2
at_least = 20.0

[model]
terms = "interactions"

[budget]
prints = 9
"""


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "clip"
    path.mkdir()
    (path / "study.toml").write_text(STUDY)
    return path


@pytest.fixture
def sheeted(folder, doe):
    assert doe("plan", "--study", folder, "--seed", 1)[0] == 0
    assert doe("sheet", "--study", folder)[0] == 0
    return folder


def places(doe, folder):
    """Return where everything is in the workbook, from the log's sheet step run again in a copy."""
    from doe.cli.open_study import OpenStudy
    from doe.files import Folder
    from doe.sheet import layout

    opened = OpenStudy(Folder(folder))
    study = opened.study()
    return layout.locations(study, opened.design(study), 1)


def refused(doe, folder, *arguments):
    before = snapshot(folder)
    status, out, err = doe(*arguments, "--study", folder)
    assert status == 3, (status, out, err)
    assert out == ""
    assert "Traceback" not in err
    assert "Warning" not in err
    assert snapshot(folder) == before
    return err


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("increment = 1", "incremnt = 1", ("study.toml", "incremnt", "increment")),
        ("low = 255", "low = 295", ("study.toml", "nozzle_temperature", "low", "295", "285")),
        ('unit = "degC"\nlow = 255', "low = 255", ("study.toml", "nozzle_temperature", "unit")),
        ("at_least = 20.0\n", "", ("study.toml", "z_strength", "at_least")),
        ("low = 255", 'low = "hot"', ("study.toml", "nozzle_temperature", "low", "hot", "number")),
        ("[study]", "[study", ("study.toml", "line 2")),
    ],
    ids=["unknown key", "low above high", "no unit", "no requirement", "text for a number", "broken TOML"],
)
def test_a_study_that_cannot_be_used(folder, doe, old, new, said):
    (folder / "study.toml").write_text(STUDY.replace(old, new, 1))
    err = refused(doe, folder, "plan")
    for word in said:
        assert word in err, (word, err)


def edit(folder, change):
    path = folder / "sheets" / "round-1.xlsx"
    book = load_workbook(path)
    change(book)
    book.save(path)


def test_text_in_a_number_cell(sheeted, doe):
    place = places(doe, sheeted)["Coupons"]
    cell = f"{place['columns']['z_strength']}{place['first_row'] + 1}"
    edit(sheeted, lambda book: book["Coupons"].__setitem__(cell, "strong"))
    err = refused(doe, sheeted, "collect")
    for word in ("round-1.xlsx", "Coupons", cell, "strong", "number"):
        assert word in err, (word, err)


def test_a_deleted_row(sheeted, doe):
    place = places(doe, sheeted)["Prints"]
    row = place["first_row"] + 2
    missing = load_workbook(sheeted / "sheets" / "round-1.xlsx")["Prints"][f"{place['columns']['print']}{row}"].value
    edit(sheeted, lambda book: book["Prints"].delete_rows(row))
    err = refused(doe, sheeted, "collect")
    for word in ("round-1.xlsx", "Prints", missing):
        assert word in err, (word, err)


def test_a_duplicated_print(sheeted, doe):
    place = places(doe, sheeted)["Prints"]
    column, row = place["columns"]["print"], place["first_row"]
    edit(sheeted, lambda book: book["Prints"].__setitem__(f"{column}{row + 1}", book["Prints"][f"{column}{row}"].value))
    err = refused(doe, sheeted, "collect")
    assert "Prints" in err
    assert f"{column}{row + 1}" in err


def test_a_workbook_of_another_study(sheeted, doe, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "study.toml").write_text(STUDY.replace('id = "clip"', 'id = "other"'))
    assert doe("plan", "--study", other, "--seed", 1)[0] == doe("sheet", "--study", other)[0] == 0
    before = snapshot(sheeted)
    status, _, err = doe("collect", other / "sheets" / "round-1.xlsx", "--study", sheeted)
    assert status == 3
    assert "other" in err
    assert "clip" in err
    assert snapshot(sheeted) == before


def test_a_workbook_of_an_earlier_plan(folder, doe, tmp_path):
    assert doe("plan", "--study", folder, "--seed", 1)[0] == doe("sheet", "--study", folder)[0] == 0
    early = tmp_path / "early.xlsx"
    (folder / "sheets" / "round-1.xlsx").rename(early)
    assert doe("plan", "--study", folder, "--seed", 2, "--replace")[0] == doe("sheet", "--study", folder)[0] == 0
    before = snapshot(folder)
    status, _, err = doe("collect", early, "--study", folder)
    assert status == 3
    assert "early.xlsx" in err
    assert snapshot(folder) == before


@pytest.mark.parametrize(
    "content", [b"not a workbook", b"PK\x03\x04 broken", b""], ids=["text", "broken zip", "empty file"]
)
def test_a_file_that_is_not_a_workbook(sheeted, doe, content):
    (sheeted / "sheets" / "round-1.xlsx").write_bytes(content)
    assert "round-1.xlsx" in refused(doe, sheeted, "collect")


def test_an_empty_workbook(sheeted, doe):
    Workbook().save(sheeted / "sheets" / "round-1.xlsx")
    assert "round-1.xlsx" in refused(doe, sheeted, "collect")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("sheet",), "doe plan"),
        (("collect",), "doe plan"),
        (("fit",), "doe plan"),
        (("recommend",), "doe plan"),
        (("report",), "doe plan"),
        (("amend", "--reason", "x"), "not locked yet"),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_steps_out_of_turn_name_the_step_that_comes_first(folder, doe, arguments, said):
    assert said in refused(doe, folder, *arguments)


def test_a_changed_protocol_is_refused_until_it_is_amended(sheeted, doe):
    text = (sheeted / "study.toml").read_text()
    (sheeted / "study.toml").write_text(text.replace("at_least = 20.0", "at_least = 18.0"))
    err = refused(doe, sheeted, "collect")
    for word in ("z_strength", "at_least", "20", "18", "doe amend"):
        assert word in err, (word, err)
    assert doe("amend", "--study", sheeted, "--reason", "the customer agreed")[0] == 0
    assert doe("collect", "--study", sheeted)[0] == 0
    line = json.loads((sheeted / "log.jsonl").read_text().splitlines()[-2])
    assert line["detail"]["changes"] == [{"key": "responses 'z_strength'.at_least", "before": 20.0, "after": 18.0}]


def test_a_plan_is_frozen_once_its_sheet_is_written(sheeted, doe):
    assert "frozen" in refused(doe, sheeted, "plan")
    assert "never overwritten" in refused(doe, sheeted, "sheet")


def test_a_folder_without_a_study(tmp_path, doe):
    assert "doe new" in refused(doe, tmp_path, "plan")


def test_refusals_are_one_json_object_with_json(folder, doe):
    status, out, err = doe("sheet", "--study", folder, "--json")
    assert (status, err) == (3, "")
    (problem,) = json.loads(out)["problems"]
    assert problem["where"] == "plan.csv"


def test_wrong_usage_exits_with_2(doe):
    assert doe("plan", "--kind", "nonsense")[0] == 2
    assert doe("no-such-command")[0] == 2


def test_a_plan_is_not_thrown_away_by_planning_again(folder, doe):
    assert doe("plan", "--study", folder, "--seed", 1)[0] == 0
    assert "--replace" in refused(doe, folder, "plan", "--seed", "2")
    assert doe("plan", "--study", folder, "--seed", 2, "--replace")[0] == 0


def test_planning_again_is_no_way_around_an_amendment(folder, doe):
    assert doe("plan", "--study", folder, "--seed", 1)[0] == 0
    (folder / "study.toml").write_text(STUDY.replace("at_least = 20.0", "at_least = 18.0"))
    assert "doe amend" in refused(doe, folder, "plan", "--replace")
    assert doe("amend", "--study", folder, "--reason", "the drawing changed")[0] == 0
    assert doe("plan", "--study", folder, "--replace")[0] == 0


def test_an_empty_workbook_is_not_offered_for_a_fit_and_corrections_are_named(sheeted, doe):
    out = doe("collect", "--study", sheeted)[1]
    assert "0 of 9 prints are recorded." in out
    assert "doe fit" not in out
    place = places(doe, sheeted)["Prints"]
    cell = f"{place['columns']['note']}{place['first_row']}"
    name = load_workbook(sheeted / "sheets" / "round-1.xlsx")["Prints"][
        f"{place['columns']['print']}{place['first_row']}"
    ].value
    for text in ("first", "second"):
        edit(sheeted, lambda book, text=text: book["Prints"].__setitem__(cell, text))
        out = doe("collect", "--study", sheeted)[1]
    assert f"Corrected: {name}, note: first became second." in out
    assert "No reason stands beside 1 of 1 corrections" in " ".join(out.split())
    edit(sheeted, lambda book: book["Prints"].__setitem__(cell, "third"))
    explained = " ".join(doe("collect", "--study", sheeted, "--reason", "read again")[1].split())
    assert "second became third. Why: read again." in explained and "No reason" not in explained
