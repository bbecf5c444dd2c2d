"""The step as a whole: files that were handed in, what is said, and what the log keeps."""

import json
import shutil

import openpyxl
import pytest

from doe.cli import steps
from doe.cli.collecting import Asked, collect
from doe.cli.open_study import STUDY as FILE
from doe.cli.open_study import OpenStudy
from doe.errors import InputRefused
from doe.files import Folder
from doe.sheet import layout
from tests.cli.test_bad_input import STUDY


@pytest.fixture(scope="module")
def sheeted(tmp_path_factory):
    from doe.cli import planning
    from doe.design.request import PlanRequest

    folder = Folder(tmp_path_factory.mktemp("study"))
    OpenStudy(folder).commit("new", {FILE: STUDY.encode()})
    planning.plan(folder, PlanRequest(seed=1), replacing=False)
    steps.sheet(folder)
    return folder


@pytest.fixture
def folder(sheeted, tmp_path):
    shutil.copytree(sheeted.path, tmp_path / "s")
    return Folder(tmp_path / "s")


def typed(folder, path, *values):
    """Write a book with values of the first coupons' strength to a path; return it."""
    study = OpenStudy(folder).study()
    place = layout.locations(study, OpenStudy(folder).design(study), 1)["Coupons"]
    book = openpyxl.load_workbook(folder.path / "sheets" / "round-1.xlsx")
    for number, value in enumerate(values):
        book["Coupons"][f"{place['columns']['z_strength']}{place['first_row'] + number}"] = value
    path.parent.mkdir(exist_ok=True)
    book.save(path)
    return path



def test_books_of_one_name_from_two_folders_are_both_read(folder, tmp_path):
    first = typed(folder, tmp_path / "anna" / "book.xlsx", 30.5)
    second = typed(folder, tmp_path / "ben" / "book.xlsx", None, 31.5)
    collect(folder, Asked((first, second)))
    assert OpenStudy(folder).record(OpenStudy(folder).study()).coupons["z_strength"].dropna().to_list() == [30.5, 31.5]
    assert folder.log()[-1]["detail"]["books"] == ["anna/book.xlsx", "ben/book.xlsx"]
    assert {"anna/book.xlsx", "ben/book.xlsx"} <= set(folder.log()[-1]["read"])


def test_a_file_may_be_preferred_by_its_path_and_the_log_says_so(folder, tmp_path):
    books = typed(folder, tmp_path / "anna" / "book.xlsx", 30.5), typed(folder, tmp_path / "ben" / "book.xlsx", 31.5)
    before = {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    with pytest.raises(InputRefused, match=r"anna/book\.xlsx, sheet Coupons, cell .*'30\.5' .* ben/book\.xlsx, .* '31\.5'"):
        collect(folder, Asked(books))
    assert before == {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    done = collect(folder, Asked(books, prefer=str(books[1]), by="N. N."))
    detail = folder.log()[-1]["detail"]
    assert detail["prefer"] == "ben/book.xlsx" and detail["decided"] == done.data["decided"]
    assert done.data["corrections"][0]["why"] == "files disagree; ben/book.xlsx was preferred to anna/book.xlsx"
    assert "Nothing new in the workbook; the record is as it was." in collect(folder, Asked(books)).lines


def test_what_was_tolerated_and_what_is_unlikely_is_shown_returned_and_logged(folder, tmp_path):
    done = collect(folder, Asked((typed(folder, tmp_path / "a" / "book.xlsx", "30,5", 4000),)))
    assert any("'30,5' was read as 30.5." in line for line in done.lines)
    assert [one["found"] for one in done.data["read_as"]] == ["30,5"] and "4000" in done.data["unlikely"][0]
    assert folder.log()[-1]["detail"]["unlikely"] == done.data["unlikely"]
    assert "30,5" in folder.log()[-1]["detail"]["read_as"][0]
    assert json.dumps(done.data)


def test_a_value_is_withdrawn_with_its_reason_once_its_cell_is_empty(folder, tmp_path):
    full, empty = typed(folder, tmp_path / "a" / "book.xlsx", 30.5), typed(folder, tmp_path / "b" / "book.xlsx")
    collect(folder, Asked((full,)))
    name = OpenStudy(folder).record(OpenStudy(folder).study()).coupons["coupon"][0]
    asked = (f"{name}:z_strength",)
    for books, reason, message in (((full,), "r", "it still gives z_strength"), ((empty,), " ", "there is no reason")):
        with pytest.raises(InputRefused, match=message):
            collect(folder, Asked(books, withdraw=asked, reason=reason))
    with pytest.raises(InputRefused, match="no such value on record"):
        collect(folder, Asked((empty,), withdraw=("../x:y",), reason="r"))
    done = collect(folder, Asked((empty,), withdraw=asked, reason="another coupon's"))
    (change,) = done.data["corrections"]
    assert (change["row"], change["old"], change["new"], change["why"]) == (name, "30.5", "", "another coupon's")
    assert not OpenStudy(folder).record(OpenStudy(folder).study()).coupons["z_strength"].notna().any()


def test_an_older_copy_that_brings_a_corrected_value_back_is_asked_about(folder, tmp_path):
    old, new = typed(folder, tmp_path / "a" / "book.xlsx", 30.5), typed(folder, tmp_path / "b" / "book.xlsx", 31.5)
    for book in (old, new):
        collect(folder, Asked((book,)))
    assert "Is this an older copy of the workbook?" in collect(folder, Asked((old,))).data["messages"][-1]


def test_what_programs_leave_beside_a_workbook_is_passed_over(folder):
    (folder.path / "sheets" / "~$round-1.xlsx").write_bytes(b"\5somebody")
    done = collect(folder, Asked())
    assert done.data["messages"][0].startswith("sheets/~$round-1.xlsx: left by a program")


def test_an_export_and_a_book_come_together(folder, tmp_path):
    name = OpenStudy(folder).design(OpenStudy(folder).study()).runs["print"][1] + "-1"
    (tmp_path / "machine.csv").write_text(f"coupon,z_strength\n{name},33.25\n")
    collect(folder, Asked((typed(folder, tmp_path / "a" / "book.xlsx", 30.5),), coupons=tmp_path / "machine.csv"))
    assert sorted(OpenStudy(folder).record(OpenStudy(folder).study()).coupons["z_strength"].dropna()) == [30.5, 33.25]


def test_files_that_are_none_are_refused(folder, tmp_path):
    for path, message in ((tmp_path, "a folder, or no ordinary file"), (tmp_path / "none.xlsx", "it cannot be read")):
        with pytest.raises(InputRefused, match=message):
            collect(folder, Asked((path,)))
