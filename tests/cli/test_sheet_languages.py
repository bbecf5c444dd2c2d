"""A study whose operators read German, from plan to record, beside the same in English; and workbooks that can be repeated."""

import shutil

import pytest

from doe.cli import planning, steps
from doe.cli.open_study import OpenStudy
from doe.demo import bench
from doe.demo.read import demo_study
from doe.demo.write import fill_workbook
from doe.design.request import PlanRequest
from doe.files import Folder

BOOK = "sheets/round-1.xlsx"


def speaking(language):
    """Return the demo's study file in a language."""
    return demo_study().decode().replace("simulated = true\n", f'simulated = true\noperator_language = "{language}"\n', 1)


def write_study(folder, language):
    (folder / "study.toml").write_text(speaking(language), encoding="utf-8")


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Return the folder of a study that is planned, with operators who read English."""
    path = tmp_path_factory.mktemp("planned") / "study"
    path.mkdir()
    write_study(path, "en")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", "1772353800")
        planning.plan(Folder(path), PlanRequest(kind="box-behnken", centre=3, seed=1))
    return path


def collected(plan, path, language):
    """Return a copy of the study in a language, its workbook filled in by the simulated bench, and what was collected."""
    shutil.copytree(plan, path)
    write_study(path, language)
    folder = Folder(path)
    places = steps.sheet(folder).data["sheets"]
    opened = OpenStudy(folder)
    study = opened.study()
    (path / BOOK).write_bytes(fill_workbook((path / BOOK).read_bytes(), places, bench.run(study, opened.design(study), 1)))
    return folder, steps.collect(folder, [], "bench")


@pytest.fixture(scope="module")
def english(plan, tmp_path_factory):
    return collected(plan, tmp_path_factory.mktemp("english") / "study", "en")


def record(folder):
    return {name: (folder.path / name).read_bytes() for name in folder.names("record/*.csv")}


def test_a_german_study_has_the_record_of_the_english_one(plan, english, tmp_path):
    folder, said = collected(plan, tmp_path / "study", "de")
    assert record(folder) == record(english[0])
    assert said.data["prints"] == english[1].data["prints"] == said.data["of"] > 0
    assert not said.data["read_as"] and said.data["messages"] == english[1].data["messages"]
    assert b"detached" in record(folder)["record/prints.csv"]


def test_the_language_may_change_after_the_plan(english):
    folder, _ = english
    before = record(folder)
    write_study(folder.path, "de")
    again = steps.collect(folder, [], "bench")  # the workbook is still English
    assert record(folder) == before and "Nothing new in the workbook; the record is as it was." in again.lines


def test_a_workbook_that_is_written_again_has_the_same_bytes(plan, tmp_path, monkeypatch):
    shutil.copytree(plan, tmp_path / "study")
    folder = Folder(tmp_path / "study")
    written = []
    for later in ("1772353900", "1772440300"):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", later)
        steps.sheet(folder)
        written.append((folder.path / BOOK).read_bytes())
        (folder.path / BOOK).unlink()
    assert written[0] == written[1]
