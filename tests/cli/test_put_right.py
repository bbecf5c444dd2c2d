"""What rests on values in doubt is said to the end; a slip that is put right costs no new prints."""

import json
import re
import shutil

import pytest
from openpyxl import load_workbook

from doe.cli import confirming, judging, steps, study_status
from doe.cli.confirming import Asked
from doe.cli.open_study import OpenStudy
from doe.files import Folder
from doe.recommend.confirmation import Confirmation, restored
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


@pytest.mark.parametrize(("name", "change"), [
    ("judgement-1.json", lambda text: text.replace(b"lies", b"lied", 1)),
    ("recommendation.json", lambda text: text.replace(b'"level": 0.95', b'"level": 0.94', 1)),
    ("log.jsonl", lambda text: text.partition(b"\n")[2]),
    ("study.toml", lambda text: text.replace(b"20.0", b"19.0", 1)),
])
def test_what_was_altered_is_neither_released_nor_reported(confirmed_once, tmp_path, doe, name, change):  # noqa: F811
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path / "clip"))
    before = folder.read(name)
    (folder.path / name).write_bytes(change(before))
    assert folder.read(name) != before
    status, _, checked = doe("check", "--study", folder.path)
    assert status == 3 and name in checked and ("only doe writes" in checked) == name.endswith(".json")
    for command in (("release", "--by", "A. Person"), ("report",)):
        assert refused(doe, folder, *command) == checked


def test_a_report_that_is_made_anew_anyway_blocks_nothing(confirmed_once, tmp_path, doe):  # noqa: F811
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path / "clip"))
    written = {"report.pdf": b"old", "report.html": b"old", "report-draft.pdf": b"old"}
    folder.commit("report", written, reads={}, version="test")
    (folder.path / "report.pdf").unlink()
    (folder.path / "report.html").write_bytes(b"altered")
    (folder.path / "report-draft.pdf").write_bytes(b"altered")
    assert doe("check", "--study", folder.path)[0] == 3
    status, _, err = doe("release", "--by", "A. Person", "--study", folder.path)
    assert status == 0, err
    steps.report(folder)
    assert folder.read("report.pdf").startswith(b"%PDF")


def test_a_release_that_is_dated_before_its_judgement_asks_for_a_reason(confirmed_once, tmp_path, doe, monkeypatch):  # noqa: F811
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path / "clip"))
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1551441600")  # 2019-03-01, noon UTC
    err = refused(doe, folder, "release", "--by", "A. Person")
    assert "the clock says 2019-03-01T12:00:00Z, earlier than the last line of the log ('doe confirm', " in err
    assert doe("release", "--by", "A. Person", "--reason", "a wrong clock", "--study", folder.path)[0] == 0
    assert any("the clock says 2019" in one for one in json.loads(folder.read("release.json"))["in_doubt"])
    status, out, _ = doe("check", "--study", folder.path, "--json")
    (said,) = json.loads(out)["notes"]
    assert status == 0
    assert f"log.jsonl, line {len(folder.log())}: 'doe release' is dated 2019-03-01T12:00:00Z, earlier than line " in said


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


@pytest.mark.parametrize(("before", "after"), [
    ('family = "PA-CF"', 'family = "PA-CF"\nconformance = 0.5'),
    ("at_least = 20.0", "at_least = 20.0\nzero_when_detached = true"),
])
@pytest.mark.parametrize("older", [False, True])
def test_what_values_are_judged_by_is_not_put_right_after_the_prints(put_right, before, after, older):
    file = put_right.path / "study.toml"
    file.write_text(file.read_text().replace(before, after))
    steps.amend(put_right, "another requirement will do")
    if older:  # a plan of a version that did not write it down
        plan = json.loads(put_right.read("confirmation-1.json"))
        del plan["conformance"], plan["declared"]
        (put_right.path / "confirmation-1.json").write_text(json.dumps(plan))
        known = restored(Confirmation, plan)
        assert judging._requirements_moved(OpenStudy(put_right), 1) and known.declared is None
        return
    steps.fit(put_right, None)
    steps.recommend(put_right)
    assert confirming.confirmed(put_right, Asked(seed=4)).data["number"] == 2


def test_the_verdict_before_is_named_where_prints_are_judged_again(put_right_once):
    _, said = put_right_once
    why = said["judged"].data["again"]["why"]
    assert re.search(r"before, these prints were judged 'confirmed' on \d{4}-\d\d-\d\d$", why)
    assert why in " ".join(said["judged"].lines)
