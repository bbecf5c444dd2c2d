"""The path of two rounds, from plan to report, and what ``doe extend`` refuses."""

import json
import re
import shutil

import numpy as np
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from doe.cli import extending, steps, study_status
from doe.cli.extending import Aim
from doe.cli.open_study import REPORT, OpenStudy
from doe.demo import bench, read, write
from doe.design import check
from doe.design.extend import ExtendRequest
from doe.design.plan import Design, plan_runs
from doe.design.read import PLAN, plan_text
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.model.fit import fit_model
from doe.numerics.terms import rank
from doe.study import amend, scale
from tests.cli.conftest import TWO_FACTORS, snapshot

pytestmark = pytest.mark.usefixtures("undrawn_throughout")


def planned(path, study_text, request):
    """Make a study folder with its first round, as ``doe plan`` leaves it."""
    path.mkdir(parents=True)
    folder = Folder(path)
    opened = OpenStudy(folder)
    opened.commit("new", {"study.toml": study_text})
    study = opened.study()
    opened.commit("plan", {PLAN: plan_text(plan_runs(study, request))}, protocol=amend.protocol(study))
    return folder


def print_round(folder, number, seed):
    """Write the round's workbook and fill it on the simulated bench."""
    written = steps.sheet(folder).data
    assert written["file"] == f"sheets/round-{number}.xlsx"
    opened = OpenStudy(folder)
    study = opened.study()
    results = bench.run(study, Design(opened.design(study).of_round(number)), seed)
    filled = write.fill_workbook(folder.read(written["file"]), written["sheets"], results)
    (folder.path / written["file"]).write_bytes(filled)
    return written


DEMO = read.demo_study().replace(b"prints = 30\nloads = 8", b"prints = 36\nloads = 9")


@pytest.fixture(scope="module")
def two_rounds(tmp_path_factory):
    """Return a study that went through two rounds, with what each step said."""
    folder = planned(tmp_path_factory.mktemp("rounds") / "study", DEMO, PlanRequest(kind="compound", prints=24, loads=6, seed=7))
    said = {"standing": []}

    def note():
        said["standing"].append(study_status.status(folder).data)

    note()
    print_round(folder, 1, 7)
    note()
    steps.collect(folder, [], "first operator")
    steps.fit(folder, None)
    said["first"] = steps.recommend(folder).data
    opened = OpenStudy(folder)
    opened.take(steps.RECOMMENDATION)
    opened.commit("report", {REPORT: b"in the place of the first report, which takes long to set"})
    note()
    said["before"] = folder.read(PLAN)
    said["extended"] = extending.plan_round(folder, ExtendRequest(seed=8), Aim())
    note()
    said["written"] = print_round(folder, 2, 8)
    note()
    said["collected"] = steps.collect(folder, [], "second operator").data
    note()
    said["fit"] = steps.fit(folder, None).data
    said["second"] = steps.recommend(folder).data
    steps.report(folder)
    note()
    return folder, said


def test_the_second_round_takes_what_is_left_in_a_box_around_the_answer(two_rounds):
    folder, said = two_rounds
    data = said["extended"].data
    assert (data["round"], data["prints"], data["loads"], data["file"], data["next"]) == (2, 12, 3, PLAN, "doe sheet")
    assert folder.read(PLAN).startswith(said["before"])
    opened = OpenStudy(folder)
    study = opened.study()
    new = opened.design(study).of_round(2)
    centre = scale.coded(study, {name: [one["value"]] for name, one in said["first"]["settings"].items()})[0]
    coded = scale.coded(study, check.settings_of(study, new))
    assert (np.abs(coded - centre) <= 0.4 + 1e-9).all()
    assert (np.abs(coded) <= 1 + 1e-9).all()


def test_the_log_has_one_line_for_the_round(two_rounds):
    folder, _ = two_rounds
    (line,) = [line for line in folder.log() if line["command"] == "extend"]
    assert line["detail"] == {"round": 2, "kind": "optimal", "seed": 8}
    assert list(line["wrote"]) == [PLAN]
    assert {"study.toml", PLAN, "recommendation.json"} <= set(line["read"])


def test_status_speaks_of_the_round(two_rounds):
    _, said = two_rounds
    states = [(one["state"], one["next"]) for one in said["standing"]]
    assert "planned, no workbook yet" in states[0][0]
    assert states[1] == ("demo-clip: the workbook is out, nothing is collected.", "doe collect")
    assert "24 of 24 prints are recorded" in states[2][0]
    assert states[2][1].startswith("doe extend: 12 prints in 3 loads of the budget are left")
    assert states[3] == ("demo-clip: round 2 is planned, no workbook yet.", "doe sheet")
    assert states[4] == ("demo-clip: the workbook of round 2 is out, nothing is collected.", "doe collect")
    assert states[5] == ("demo-clip: 36 of 36 prints in 2 rounds are recorded; not fitted since.", "doe fit")
    assert "holds recommendation 2" in states[6][0]
    assert states[6][1] == said["second"]["next"]


def test_both_workbooks_are_collected_each_into_its_round(two_rounds):
    folder, said = two_rounds
    assert (said["collected"]["prints"], said["collected"]["of"]) == (36, 36)
    opened = OpenStudy(folder)
    study = opened.study()
    record, design = opened.record(study), opened.design(study)
    assert record.prints["print"].tolist() == design.runs["print"].tolist()
    assert record.prints["round"].tolist() == design.runs["round"].tolist() == [1] * 24 + [2] * 12
    assert record.loads["round"].tolist() == [1] * 6 + [2] * 3
    assert len(record.corrections) == 0


def test_strata_and_lack_of_fit_count_the_round_between_loads(two_rounds):
    folder, _ = two_rounds
    opened = OpenStudy(folder)
    study = opened.study()
    design, record = opened.design(study), opened.record(study)
    result, fitted = fit_model(study, design, record)
    for one in fitted:
        data = one.data
        assert data.labels[-2:] == ("printer A", "round 1") or data.labels[-2:] == ("printer B", "round 1")
        assert data.rounds == ("1", "2")
        assert data.X.shape[1] == 17
        loads = np.eye(data.loads)[data.load]
        both, alone = np.hstack([data.X, loads]), data.X
        assert one.load_dof == rank(both) - rank(alone)
        assert one.print_dof == len(data.names) - rank(both)
        # Nine loads less the mean, drying, its square and the round.
        assert one.load_dof == 9 - 4
        label = {item.label: item for item in one.result.coefficients}["round 1"]
        assert label.changes == "load"
        # Pure error is what is left beside a mean for each cell, load, printer and round; the model takes the rest.
        cells = np.eye(data.cell.max() + 1)[data.cell]
        full = rank(np.hstack([cells, data.X[:, 15:], loads]))
        found = one.result.lack_of_fit
        assert (found["df_pe"], found["df_lof"]) == (len(data.names) - full, full - rank(both))
    assert design.rounds == [1, 2]
    assert "average over the rounds" in {one.name for one in result.verdicts}


def test_the_rounds_difference_is_found_and_does_not_move_the_settings(two_rounds):
    # An identity of least squares with a mean for each round: a shift of one round moves its coefficient alone.
    folder, _ = two_rounds
    opened = OpenStudy(folder)
    study = opened.study()
    design, record = opened.design(study), opened.record(study)
    response = next(one for one in study.responses if one.name == "first_layer_peel")
    shifted = record.coupons.copy()
    second = shifted["print"].isin(design.of_round(2)["print"])
    shifted.loc[second, response.name] += 2.0
    later = type(record)(record.prints, shifted, record.loads, record.checks, record.corrections)
    (before, after) = (fit_model(study, design, one)[1] for one in (record, later))
    place = [one.data.response.name for one in before].index(response.name)
    labels = before[place].data.labels
    moved = dict(zip(labels, (after[place].estimates - before[place].estimates).tolist(), strict=True))
    assert moved.pop("round 1") == pytest.approx(-1.0, abs=1e-6)
    assert moved.pop("intercept") == pytest.approx(1.0, abs=1e-6)
    assert list(moved.values()) == pytest.approx([0.0] * len(moved), abs=1e-6)
    assert "rounds differ" in {one.name for one in after[place].result.verdicts}
    # A prediction is the average over the rounds: half of the shift.
    rows = before[place].data.rows(np.zeros((1, 4)))
    assert float((rows @ (after[place].estimates - before[place].estimates))[0]) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.slow
def test_the_report_shows_both_rounds(two_rounds):
    folder, _ = two_rounds
    text = " ".join(page.extract_text() for page in PdfReader(folder.path / "report.pdf").pages)
    assert "36 in 2 rounds" in text
    for name in OpenStudy(folder).design(OpenStudy(folder).study()).runs["print"]:
        assert name in text
    assert "average over the rounds" in re.sub(r"\s+", " ", text)


def test_a_changed_sheet_of_the_first_round_is_still_matched(two_rounds, tmp_path):
    folder, _ = two_rounds
    book = load_workbook(folder.path / "sheets" / "round-1.xlsx")
    page = book["Prints"]
    note = next(cell for row in page.iter_rows(max_row=5) for cell in row if cell.value == "Note")
    page.cell(note.row + 1, note.column).value = "found later"
    changed = tmp_path / "round-1.xlsx"
    book.save(changed)
    copy = Folder(shutil.copytree(folder.path, tmp_path / "copy"))
    steps.collect(copy, [changed], "first operator")
    opened = OpenStudy(copy)
    record = opened.record(opened.study())
    assert record.prints["note"].tolist().count("found later") == 1
    assert record.prints["round"].tolist() == [1] * 24 + [2] * 12


# What is refused, on a study that is quick to make

STUDY = TWO_FACTORS + """
[[responses]]
name = "z_strength"
unit = "MPa"
per = "print"
at_least = 20.0

[model]
terms = "interactions"
"""


@pytest.fixture
def folder(tmp_path):
    return planned(tmp_path / "clip", STUDY.encode(), PlanRequest(kind="factorial", centre=4, seed=1))


def type_in(folder, number, rows=None):
    """Write the latest sheet and type in a plane that rises with the nozzle and falls with the bed."""
    written = steps.sheet(folder).data
    opened = OpenStudy(folder)
    runs = opened.design(opened.study()).of_round(number)
    place, target = written["sheets"]["Prints"], folder.path / written["file"]
    book = load_workbook(target)
    page = book[place["sheet"]]
    noise = np.random.default_rng(number).normal(0, 0.2, len(runs))
    for row, ((_, run), error) in enumerate(zip(runs.iloc[:rows].iterrows(), noise, strict=False), place["first_row"]):
        nozzle, bed = (run["target.nozzle_temperature"] - 270) / 15, (run["target.bed_temperature"] - 70) / 10
        page[f"{place['columns']['outcome']}{row}"] = "completed"
        page[f"{place['columns']['z_strength']}{row}"] = float(30 + 3 * nozzle - 1.5 * bed + error)
    book.save(target)


@pytest.fixture(scope="module")
def answered_once(tmp_path_factory):
    folder = planned(
        tmp_path_factory.mktemp("answered") / "clip", STUDY.encode(), PlanRequest(kind="factorial", centre=4, seed=1)
    )
    type_in(folder, 1)
    steps.collect(folder, [], "")
    steps.fit(folder, None)
    steps.recommend(folder)
    return folder


@pytest.fixture
def answered(answered_once, tmp_path):
    return Folder(shutil.copytree(answered_once.path, tmp_path / "clip"))


def refused(doe, folder, *arguments):
    before = snapshot(folder.path)
    status, out, err = doe("extend", "--study", folder.path, *arguments)
    assert status == 3, (status, out, err)
    assert out == ""
    assert snapshot(folder.path) == before
    return err


def test_steps_out_of_turn_name_the_step_that_comes_first(folder, doe):
    assert "doe sheet" in refused(doe, folder, "--prints", 6)
    steps.sheet(folder)
    err = refused(doe, folder, "--prints", 6)
    assert "nothing was collected yet" in err
    assert "doe collect" in err
    assert "nothing was collected yet" in refused(doe, folder, "--kind", "ascent")
    (folder.path / PLAN).unlink()
    assert "doe plan" in refused(doe, folder, "--prints", 6)


def test_without_a_recommendation_the_remedy_is_named(folder, doe):
    type_in(folder, 1)
    steps.collect(folder, [], "")
    assert "doe recommend" in refused(doe, folder, "--prints", 6)
    assert "doe fit" in refused(doe, folder, "--kind", "ascent")


def test_without_a_budget_the_number_of_prints_is_asked_for(answered, doe):
    err = refused(doe, answered)
    assert "prints are missing" in err
    assert "--prints" in err


def test_too_few_prints_are_refused(answered, doe):
    assert "at least 4" in refused(doe, answered, "--prints", 2)


def test_a_result_of_another_record_is_refused(answered, doe):
    path = answered.path / "record" / "prints.csv"
    path.write_text(path.read_text().replace("completed", "lost", 1))
    assert "changed since it was made" in refused(doe, answered, "--prints", 6)


def test_the_round_is_json_like_the_plan(answered, doe):
    status, out, err = doe("extend", "--study", answered.path, "--prints", 6, "--seed", 3, "--json")
    assert (status, err) == (0, "")
    data = json.loads(out)
    assert {"round", "prints", "facts", "verdicts", "seed", "file", "next"} <= set(data)
    assert (data["round"], data["prints"], data["seed"], data["next"]) == (2, 6, 3, "doe sheet")


def test_a_round_is_replaced_only_while_it_has_no_sheet(answered, doe):
    first = answered.read(PLAN)
    assert doe("extend", "--study", answered.path, "--prints", 6, "--seed", 3)[0] == 0
    second = answered.read(PLAN)
    assert "--replace" in refused(doe, answered, "--prints", 8, "--seed", 4)
    assert doe("extend", "--study", answered.path, "--prints", 8, "--seed", 4, "--replace")[0] == 0
    third = answered.read(PLAN)
    assert third.startswith(first)
    assert third != second
    assert third.count(b"\n") == first.count(b"\n") + 8
    type_in(answered, 2)
    err = refused(doe, answered, "--prints", 8, "--replace")
    assert "its sheet is written" in err
    assert "round 3" in err


def test_a_round_after_one_that_is_not_all_collected_says_so(folder, doe):
    type_in(folder, 1, rows=7)
    steps.collect(folder, [], "")
    status, out, _ = doe("extend", "--study", folder.path, "--kind", "axial", "--json")
    assert status == 0
    verdicts = {one["name"]: one for one in json.loads(out)["verdicts"]}
    assert "7 of 8 prints of round 1 are recorded" in verdicts["earlier round not collected"]["cause"]


def test_axial_points_say_that_the_declared_model_has_no_squares_until_it_is_amended(answered, doe):
    status, out, _ = doe("extend", "--study", answered.path, "--kind", "axial", "--json")
    assert status == 0
    verdicts = {one["name"]: one for one in json.loads(out)["verdicts"]}
    assert "doe amend" in verdicts["declared model without squares"]["next_step"]
    # The path to a quadratic: amend, print the round, and the squares are fitted with both rounds.
    text = (answered.path / "study.toml").read_text().replace('terms = "interactions"', 'terms = "quadratic"')
    (answered.path / "study.toml").write_text(text)
    assert doe("amend", "--study", answered.path, "--reason", "curvature")[0] == 0
    type_in(answered, 2)
    steps.collect(answered, [], "")
    labels = [one["label"] for one in steps.fit(answered, None).data["responses"][0]["coefficients"]]
    assert labels == [
        "intercept", "nozzle_temperature", "bed_temperature", "nozzle_temperature * bed_temperature",
        "nozzle_temperature^2", "bed_temperature^2", "round 1",
    ]  # fmt: skip


def test_an_ascent_climbs_towards_the_requirement(answered, doe):
    status, out, _ = doe("extend", "--study", answered.path, "--kind", "ascent", "--prints", 6, "--json")
    assert status == 0
    steps_ = json.loads(out)["facts"]["steps"]
    assert steps_["nozzle_temperature"] == pytest.approx(3.0)  # 15 degC in five steps: the larger effect sets the pace
    assert -2 < steps_["bed_temperature"] < -0.5  # half of the effect, ten for fifteen degrees, the other way: about -1
    opened = OpenStudy(answered)
    new = opened.design(opened.study()).of_round(2)
    assert new["target.nozzle_temperature"].is_monotonic_increasing
    assert new["target.bed_temperature"].is_monotonic_decreasing


def test_an_ascent_asks_for_the_response_where_it_is_not_known(answered, doe):
    assert "'strength' is not fitted" in refused(doe, answered, "--kind", "ascent", "--response", "strength")


def test_a_fold_over_tells_what_it_separates(tmp_path, doe):
    offset = '[[factors]]\nname = "z_offset"\nunit = "mm"\nlow = -0.1\nhigh = 0.1\nincrement = 0.1\n\n'
    third = STUDY.replace("[[responses]]", offset + "[[responses]]")
    folder = planned(
        tmp_path / "half", third.replace('"interactions"', '"main"').encode(),
        PlanRequest(kind="fractional", resolution=3, centre=0, seed=1),
    )  # fmt: skip
    steps.sheet(folder)
    status, out, _ = doe("extend", "--study", folder.path, "--kind", "fold-over")
    assert status == 0
    # The half fraction of three factors: each main effect stands with the product of the other two.
    assert "Separated: nozzle_temperature = bed_temperature * z_offset." in out
    assert out.count("Separated:") == 3


def test_options_without_a_use_are_refused_all_at_once(answered, doe):
    err = refused(doe, answered, "--kind", "ascent", "--width", 0.2, "--factors", "bed_temperature", "--distance", 0.5)
    assert "3 problems" in err
    for option in ("--width", "--factors", "--distance"):
        assert f"{option}: given for a round of kind 'ascent'" in err


def test_optimal_prints_in_the_whole_region_need_no_answer(folder, doe):
    steps.sheet(folder)
    status, out, _ = doe("extend", "--study", folder.path, "--kind", "optimal", "--prints", 6, "--json")
    assert status == 0
    assert json.loads(out)["facts"]["region"] == {"nozzle_temperature": [255, 285], "bed_temperature": [60, 80]}
    verdicts = {one["name"]: one for one in json.loads(out)["verdicts"]}
    assert "0 of 8 prints of round 1 are recorded" in verdicts["earlier round not collected"]["cause"]


def test_wrong_usage_exits_with_2(doe):
    assert doe("extend", "--kind", "nonsense")[0] == 2


def test_one_round_has_no_round_column_and_no_word_about_rounds(answered):
    opened = OpenStudy(answered)
    study = opened.study()
    result, (fitted,) = fit_model(study, opened.design(study), opened.record(study))
    assert fitted.data.rounds == ("1",)
    assert fitted.data.blocks == 0
    assert "average over the rounds" not in {one.name for one in result.verdicts}
