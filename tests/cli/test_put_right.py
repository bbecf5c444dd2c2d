"""What rests on values in doubt is said to the end; a slip that is put right costs no new prints."""

import json
import shutil

import pytest
from openpyxl import load_workbook

from doe.cli import confirming, steps, study_status
from doe.cli.confirming import Asked
from doe.cli.open_study import OpenStudy
from doe.files import Folder
from doe.sheet import layout
from tests.cli.test_confirming import answered_once, confirmed_once, refused  # noqa: F401 - fixtures

TOOL = '[[instruments]]\nid = "UTM-1"\nkind = "test frame"\ndue = {due}\n'


def dated(folder, days):
    """Write the day of each print into the workbooks, by round, and collect them."""
    opened = OpenStudy(folder)
    study = opened.study()
    design = opened.design(study)
    for number, day in days.items():
        target = folder.path / "sheets" / f"round-{number}.xlsx"
        book = load_workbook(target)
        place = layout.locations(study, design, number)["Prints"]
        for row in range(len(design.of_round(number))):
            book["Prints"][f"{place['columns']['printed_on']}{place['first_row'] + row}"] = day
        book.save(target)
    return steps.collect(folder, [], "somebody")


def amended(folder, due):
    """Give the strength an instrument that is due on a day, or move that day; fit and recommend anew."""
    file = folder.path / "study.toml"
    text = file.read_text().partition("[[instruments]]")[0]
    text = text if "UTM-1" in text else text.replace("coupons = 2", 'coupons = 2\ninstrument = "UTM-1"')
    file.write_text(f"{text.rstrip()}\n\n{TOOL.format(due=due)}")
    steps.amend(folder, f"due day of UTM-1 is {due}")
    steps.fit(folder, None)
    return steps.recommend(folder)


@pytest.fixture(scope="module")
def put_right_once(confirmed_once, tmp_path_factory):  # noqa: F811
    """Return a confirmed study whose prints were given their days afterwards, with what was said on the way."""
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path_factory.mktemp("dated") / "clip"))
    plan = folder.read("confirmation-1.json")
    said = {"collected": dated(folder, {1: "2026-03-02", 2: "2026-04-02"}).data["next"], "plan": plan}
    said["status"] = study_status.status(folder).data["next"]
    steps.fit(folder, None)
    steps.recommend(folder)
    said["before"] = study_status.status(folder).data["next"]
    said["judged"] = confirming.confirmed(folder, Asked())
    return folder, said


@pytest.fixture
def put_right(put_right_once, tmp_path):
    return Folder(shutil.copytree(put_right_once[0].path, tmp_path / "clip"))


def test_a_change_that_moves_nothing_is_judged_again_by_the_same_plan(put_right_once):
    folder, said = put_right_once
    assert said["collected"] == said["status"] == "doe fit"
    assert said["before"].startswith("doe confirm, which looks whether its prints can still judge this setting")
    data = said["judged"].data
    assert (data["verdict"], data["confirmation"], data["recommendation"]) == ("confirmed", 1, 2)
    assert "has the same setting" in data["again"]["why"]
    assert folder.read("confirmation-1.json") == said["plan"] and not folder.has("confirmation-2.json")
    assert folder.log()[-1]["detail"]["again"] == data["again"]["why"]
    assert "judged again by the plan as it was made" in " ".join(said["judged"].lines)
    assert study_status.status(folder).data["next"].startswith("doe release")


def test_a_change_that_moves_the_forecast_ends_it(put_right):
    target = put_right.path / "sheets" / "round-1.xlsx"
    book = load_workbook(target)
    page = book["Coupons"]
    value = next(
        cell for row in page.iter_rows(min_row=2) for cell in row if isinstance(cell.value, float) and cell.value > 20
    )
    value.value = round(value.value + 0.5, 3)
    book.save(target)
    steps.collect(put_right, [], "somebody")
    steps.fit(put_right, None)
    steps.recommend(put_right)
    assert confirming.confirmed(put_right, Asked(seed=4)).data["number"] == 2


def test_doubt_is_carried_from_the_fit_to_the_release(put_right, doe):
    advice = amended(put_right, "2026-02-01")
    assert "values in doubt cannot be left out" in {one["name"] for one in advice.data["verdicts"]}
    assert advice.data["next"].startswith("look at the instrument: z strength: values in doubt cannot be left out")
    assert "nothing is shown before that is settled" in " ".join(str(line) for line in advice.lines)
    data = confirming.confirmed(put_right, Asked()).data
    assert data["verdict"] == "inconclusive"
    assert "z_strength: all 12 values are in doubt (instrument UTM-1 was due 2026-02-01)" in data["reasons"][0]
    assert any(one.startswith("the recommendation rests on values in doubt") for one in data["remarks"])
    assert "it says 'inconclusive'" in refused(doe, put_right, "release", "--by", "A. Person", "--reason", "it is right")
    amended(put_right, "2027-02-01")
    data = confirming.confirmed(put_right, Asked()).data
    assert data["verdict"] == "confirmed" and "in doubt" not in " ".join((*data["reasons"], *data["remarks"]))
    assert "the protocol was amended (due day of UTM-1 is 2027-02-01)" in data["again"]["why"]
    assert "nothing that the result rests on is in doubt" in refused(doe, put_right, "release", "--by", "A", "--reason", "x")
    assert doe("release", "--by", "A. Person", "--study", put_right.path)[0] == 0
    assert "in_doubt" not in json.loads(put_right.read("release.json"))


def test_days_to_come_are_named_at_the_release(put_right, doe):
    dated(put_right, {2: "2099-01-01"})
    assert confirming.confirmed(put_right, Asked()).data["verdict"] == "confirmed"
    err = refused(doe, put_right, "release", "--by", "A. Person")
    assert "printed_on of 6 prints, " in err and "is 2099-01-01, which is still to come" in err and "--reason TEXT" in err
    status, out, _ = doe("release", "--by", "A. Person", "--reason", "clock", "--study", put_right.path, "--json")
    assert status == 0
    (named,) = json.loads(out)["in_doubt"]
    assert "still to come" in named and json.loads(put_right.read("release.json"))["reason"] == "clock"
    assert put_right.log()[-1]["detail"]["reason"] == "clock"
    assert "although printed_on of 6 prints" in study_status.status(put_right).data["state"]
