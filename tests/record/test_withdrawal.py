"""What is asked off the record goes, row by row and by the workbook's own headings, or it is refused."""

import shutil

import openpyxl
import pytest

from doe.cli.collecting import Asked, collect
from doe.cli.open_study import OpenStudy
from doe.errors import InputRefused
from doe.files import Folder
from doe.sheet import layout
from tests.record.test_collecting import sheeted  # noqa: F401 - a fixture

WHY = "typed into the wrong row"


@pytest.fixture
def collected(sheeted, tmp_path):  # noqa: F811
    """Return a study that has values of every coupon of two prints on record, and a note; its workbook is blank again."""
    shutil.copytree(sheeted.path, tmp_path / "s")
    folder = Folder(tmp_path / "s")
    opened = OpenStudy(folder)
    study = opened.study()
    place = layout.locations(study, opened.design(study), 1)
    book = openpyxl.load_workbook(folder.path / "sheets" / "round-1.xlsx")
    coupons, prints = place["Coupons"], place["Prints"]
    for number in range(2 * study.coupons_per_print):
        book["Coupons"][f"{coupons['columns']['z_strength']}{coupons['first_row'] + number}"] = 30.5 + number
    book["Prints"][f"{prints['columns']['note']}{prints['first_row']}"] = "first"
    book.save(tmp_path / "full.xlsx")
    collect(folder, Asked((tmp_path / "full.xlsx",)))
    return folder


def record(folder):
    return OpenStudy(folder).record(OpenStudy(folder).study())


def test_a_print_goes_with_its_coupons(collected):
    first, second, *_ = record(collected).prints["print"]
    done = collect(collected, Asked(withdraw=(first,), reason=WHY))
    now = record(collected)
    assert set(now.coupons.loc[now.coupons["z_strength"].notna(), "print"]) == {second}
    assert dict(zip(now.prints["print"], now.prints["outcome"], strict=True))[first] == "" and not now.prints["note"].any()
    assert {one["why"] for one in done.data["corrections"]} == {WHY}
    assert not [line for line in done.data["messages"] if f"{first} with" in line]


def test_a_print_that_a_file_still_gives_stays_with_each_cell_named(collected, tmp_path):
    first = record(collected).prints["print"][0]
    with pytest.raises(InputRefused, match=r"it still gives note of P01") as refused:
        collect(collected, Asked((tmp_path / "full.xlsx",), withdraw=(first,), reason=WHY))
    assert len(refused.value.problems) == 1 + OpenStudy(collected).study().coupons_per_print


@pytest.mark.parametrize("row", ["P", "C"])
def test_an_outcome_that_follows_from_values_is_not_withdrawn_in_silence(collected, row):
    now = record(collected)
    name = now.prints["print"][0] if row == "P" else now.coupons["coupon"][0]
    before = {path: path.read_bytes() for path in collected.path.rglob("*") if path.is_file()}
    with pytest.raises(InputRefused, match=f"--withdraw {name}:outcome: it follows from the values of its row"):
        collect(collected, Asked(withdraw=(f"{name}:outcome",), reason=WHY))
    assert before == {path: path.read_bytes() for path in collected.path.rglob("*") if path.is_file()}


@pytest.mark.parametrize("heading", ["Z strength (MPa)", "z strength", "z_strength"])
def test_a_column_may_be_named_as_in_the_workbook(collected, heading):
    name = record(collected).coupons["coupon"][0]
    done = collect(collected, Asked(withdraw=(f"{name}: {heading}",), reason=WHY))
    assert {(one["row"], one["column"], one["new"]) for one in done.data["corrections"]} >= {(name, "z_strength", "")}


@pytest.mark.parametrize("text", ["P99", "P99:note", ":", "", "P01A:", "P01A:no such heading"])
def test_what_is_not_on_record_is_refused(collected, text):
    with pytest.raises(InputRefused, match="there is no such value on record"):
        collect(collected, Asked(withdraw=(text,), reason=WHY))
