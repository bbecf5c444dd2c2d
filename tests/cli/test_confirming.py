"""The trial of a recommendation from plan to release, what is said where it fails, and what is refused."""

import json
import re
import shutil

import numpy as np
import pytest
from openpyxl import load_workbook

from doe.cli import confirming, releasing, steps, study_status
from doe.cli.confirming import Asked
from doe.cli.open_study import OpenStudy
from doe.design.read import PLAN, plan_text
from doe.design.request import PlanRequest
from doe.files import Folder, digest, dump_json
from tests.cli.conftest import TWO_FACTORS, snapshot
from tests.cli.test_extend import planned

STUDY = (
    TWO_FACTORS
    + """
[[responses]]
name = "z_strength"
unit = "MPa"
coupons = 2
at_least = 20.0

[[responses]]
name = "seal"
kind = "pass_fail"
per = "print"

[[printers]]
name = "A"

[[printers]]
name = "B"

[model]
terms = "interactions"
"""
)
REQUEST = PlanRequest(kind="factorial", centre=4, replicates=3, loads=8, seed=1)


def fill(folder, shift=0.0, outcomes=(), fails=(), bent=0.0, blank=False):
    """
    Write the latest sheet and fill it: a plane that rises with the nozzle and falls with the bed, less a shift.

    ``outcomes`` are those of the first prints, ``fails`` the places of prints whose seal fails, ``bent`` lifts the centre; with
    ``blank`` no values and no outcomes of coupons are given.
    """
    written = steps.sheet(folder).data
    opened = OpenStudy(folder)
    runs = opened.design(opened.study()).of_round(written["round"]).reset_index(drop=True)
    generator = np.random.default_rng(written["round"])
    of_load = dict(zip(sorted(set(runs["load"])), generator.normal(0, 0.3, len(set(runs["load"]))), strict=True))
    target, places = folder.path / written["file"], written["sheets"]
    book = load_workbook(target)
    page, coupons = book["Prints"], book["Coupons"]
    columns, of_coupon = places["Prints"]["columns"], places["Coupons"]["columns"]
    line = places["Coupons"]["first_row"]
    for place, run in runs.iterrows():
        row = places["Prints"]["first_row"] + place
        outcome = outcomes[place] if place < len(outcomes) else "completed"
        page[f"{columns['outcome']}{row}"] = outcome
        nozzle, bed = (run["target.nozzle_temperature"] - 270) / 15, (run["target.bed_temperature"] - 70) / 10
        mean = 30 + 3 * nozzle - 1.5 * bed - shift + of_load[run["load"]] + generator.normal(0, 0.3)
        mean += bent * (1 - nozzle**2)
        if outcome == "completed" and not blank:
            page[f"{columns['seal']}{row}"] = "fail" if place in fails else "pass"
        for _ in range(2):
            coupons[f"{of_coupon['outcome']}{line}"] = None if blank else outcome
            if outcome == "completed" and not blank:
                coupons[f"{of_coupon['z_strength']}{line}"] = float(mean + generator.normal(0, 0.3))
            line += 1
    book.save(target)
    steps.collect(folder, [], "somebody")


def answer(path, request=REQUEST, **bench):
    """Return a study with its first recommendation."""
    folder = planned(path, STUDY.encode(), request)
    fill(folder, **bench)
    steps.fit(folder, None)
    steps.recommend(folder)
    return folder


@pytest.fixture(scope="module")
def answered_once(tmp_path_factory):
    return answer(tmp_path_factory.mktemp("answered") / "clip")


@pytest.fixture
def answered(answered_once, tmp_path):
    return Folder(shutil.copytree(answered_once.path, tmp_path / "clip"))


@pytest.fixture(scope="module")
def confirmed_once(answered_once, tmp_path_factory):
    """Return a study whose confirmation bore out its prediction, with what each step said."""
    folder = Folder(shutil.copytree(answered_once.path, tmp_path_factory.mktemp("confirmed") / "clip"))
    said = {"states": [], "before": folder.read(PLAN), "record": dict(OpenStudy(folder).folder.log()[-1]["read"])}

    def note():
        said["states"].append(tuple(study_status.status(folder).data[key] for key in ("state", "next")))

    said["planned"] = confirming.confirmed(folder, Asked(seed=3))
    note()
    steps.sheet(folder)
    note()
    (folder.path / "sheets" / "round-2.xlsx").unlink()
    fill(folder)
    note()
    said["judged"] = confirming.confirmed(folder, Asked())
    note()
    return folder, said


@pytest.fixture
def confirmed(confirmed_once, tmp_path):
    return Folder(shutil.copytree(confirmed_once[0].path, tmp_path / "clip"))


def tried(folder, **bench):
    """Plan a confirmation, print it and return its judgement."""
    confirming.confirmed(folder, Asked(seed=3))
    fill(folder, **bench)
    return confirming.confirmed(folder, Asked()).data


class TestWhatItWouldMiss:
    """A confirmation that sees little says so before it is planned, or before its plan."""

    def test_one_that_misses_more_than_it_catches_is_planned_only_when_its_size_is_said(self, tmp_path, doe):
        folder = answer(tmp_path / "clip", PlanRequest(kind="factorial", centre=4, loads=3, seed=1))
        before = snapshot(folder.path)
        shown = confirming.confirmed(folder, Asked(seed=3))
        assert snapshot(folder.path) == before
        assert shown.data["planned"] is False and 0 < shown.data["caught"] < 0.5
        assert "Nothing was planned" in shown.opening[0] and f"{100 * shown.data['caught']:.0f} %" in shown.opening[0]
        assert [one.split(":")[0] for one in shown.data["next"]] == [
            "doe extend", "doe confirm --loads 12", "doe confirm --loads 6",
        ]  # fmt: skip
        status, out, _ = doe("confirm", "--loads", "6", "--seed", "3", "--study", folder.path)
        assert status == 0
        assert out.index("a change for the worse may go unseen") < out.index("Run table") < out.index("Added confirmation 1")
        (chance,) = {
            one["chance"]
            for one in json.loads(folder.read("confirmation-1.json"))["forecasts"][0]["catches"]
            if (one["loads"], one["sds"]) == (6, 3.0)
        }
        assert chance == shown.data["caught"]  # the same plan, asked for by its size

    def test_a_doubt_stands_before_the_plan_with_the_number_that_would_do(self, answered):
        shown = confirming.confirmed(answered, Asked(loads=3, seed=3))
        proposed = shown.data["proposed"]
        assert shown.opening[0] == "Read this before anything is printed:"
        assert f"doe confirm --replace --loads {proposed}" in shown.opening[1]
        assert shown.lines[-1] == "Next: doe sheet, or what the first lines say"
        again = confirming.confirmed(answered, Asked(loads=proposed, seed=3, replacing=True))
        assert again.opening == () and again.lines[-1] == "Next: doe sheet"


class TestPlan:
    def test_six_prints_on_new_loads_with_the_printers_in_turn(self, confirmed_once):
        folder, said = confirmed_once
        opened = OpenStudy(folder)
        design = opened.design(opened.study())
        new = design.of_round(2)
        assert folder.read(PLAN).startswith(said["before"])
        assert design.confirmations == [2]
        assert len(new) == len(set(new["load"])) == 6
        assert not set(new["load"]) & set(design.of_round(1)["load"])
        assert sorted(new["printer"]) == ["A"] * 3 + ["B"] * 3
        assert all(one != other for one, other in zip(new["printer"], new["printer"].iloc[1:], strict=False))
        settings = json.loads(folder.read("recommendation-1.json"))["settings"]
        for name, one in settings.items():
            assert set(new[f"target.{name}"]) == {one["value"]}
        assert new["cell"].nunique() == 1

    def test_everything_it_will_be_judged_by_is_in_its_file(self, confirmed_once):
        folder, said = confirmed_once
        stored = json.loads(folder.read("confirmation-1.json"))
        assert stored == json.loads(json.dumps(said["planned"].data))
        assert stored["recommendation_digest"] == digest(folder.read("recommendation-1.json"))
        assert stored["inputs"] == json.loads(folder.read("recommendation-1.json"))["inputs"]
        (one,) = stored["forecasts"]
        assert [mean["prints"] for mean in one["means"]] == [1, 2, 3, 4, 5, 6]
        assert all(mean["low"] < one["estimate"] < mean["high"] for mean in one["means"])
        widths = [mean["high"] - mean["low"] for mean in one["means"]]
        assert widths[5] < widths[1] < widths[0]
        assert all(single["high"] - single["low"] > widths[0] for single in one["singles"])
        assert stored["before"] == [
            {"what": "completion", "requirement": "completes", "bad": 0, "of": 16},
            {"what": "seal", "requirement": "pass on each print", "bad": 0, "of": 16},
        ]

    def test_the_power_is_said_and_a_number_of_loads_proposed(self, confirmed_once):
        _, said = confirmed_once
        text = "\n".join(said["planned"].lines)
        assert "z strength: this confirmation would catch a drop of" in text
        data = said["planned"].data
        by_loads = {one["loads"]: one["chance"] for one in data["forecasts"][0]["catches"] if one["sds"] == 3}
        assert by_loads[3] < by_loads[6] < by_loads[12]
        # As many as are needed must complete where as few do as the recommendation's bound allows.
        advice = json.loads(confirmed_once[0].read("recommendation-1.json"))
        (lower,) = (one["lower"] for one in advice["beside"] if one["what"] == "completion")
        assert data["completion_lower"] == lower and 0.5 < lower < 1
        needed = min(loads for loads, chance in by_loads.items() if chance >= 0.8)
        assert data["proposed"] == np.ceil(needed / lower) > needed
        assert f"it takes {needed} completed prints to catch" in text

    def test_status_follows_it(self, confirmed_once):
        _, said = confirmed_once
        assert said["states"][0] == ("clip: confirmation 1 is planned as round 2, no workbook yet.", "doe sheet")
        assert said["states"][1] == (
            "clip: the workbook of confirmation 1 is out, nothing is collected.",
            "doe collect",
        )
        assert said["states"][2] == ("clip: the prints of confirmation 1 are recorded, not judged.", "doe confirm")
        assert said["states"][3][0] == "clip: recommendation 1 is confirmed (confirmation 1), not released."
        assert said["states"][3][1].startswith("doe release --by NAME")

    def test_a_plan_without_sheet_can_be_thrown_away(self, answered):
        confirming.confirmed(answered, Asked(seed=3))
        again = confirming.confirmed(answered, Asked(loads=4, seed=4, replacing=True))
        assert again.data["number"] == 1
        opened = OpenStudy(answered)
        assert len(opened.design(opened.study()).of_round(2)) == 4

    def test_the_declared_fit_stays_as_it_was(self, confirmed_once):
        folder, _ = confirmed_once
        opened = OpenStudy(folder)
        study = opened.study()
        design, record = opened.design(study), opened.record(study)
        stored = json.loads(folder.read("fit.json"))
        assert opened.declared_inputs(design, record) == stored["inputs"]
        result, _ = steps_fit(opened, study, design, record)
        assert [one["estimate"] for one in stored["responses"][0]["coefficients"]] == [
            one.estimate for one in result.responses[0].coefficients
        ]


def steps_fit(opened, study, design, record):
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest

    return fit_model(study, design, record, FitRequest(declared=opened.declared(study)))


class TestJudgement:
    def test_an_unchanged_material_is_confirmed(self, confirmed_once):
        folder, said = confirmed_once
        data = said["judged"].data
        assert data == json.loads(folder.read("judgement-1.json"))
        assert data["verdict"] == "confirmed"
        ((three, chance),) = (
            (each["drop"], each["chance"])
            for each in json.loads(folder.read("confirmation-1.json"))["forecasts"][0]["catches"]
            if (each["loads"], each["sds"]) == (6, 3.0)
        )
        (line,) = [one for one in said["judged"].lines if "would have caught" in one]
        assert f" {three:.2g} MPa (3 standard deviations of a new print) with {100 * chance:.0f} %" in line
        (one,) = data["outcomes"]
        assert (one["place"], one["prints"], one["values"], one["missed"]) == ("inside", 6, 12, 0)
        assert one["low"] == pytest.approx(
            json.loads(folder.read("confirmation-1.json"))["forecasts"][0]["means"][-1]["low"]
        )
        record = OpenStudy(folder).record(OpenStudy(folder).study())
        mine = record.coupons[record.coupons["print"].isin([each["print"] for each in one["singles"]])]
        assert one["mean"] == pytest.approx(mine["z_strength"].mean())

    def test_all_data_are_refitted_for_the_bound(self, confirmed_once):
        folder, said = confirmed_once
        before = json.loads(folder.read("recommendation-1.json"))
        after = said["judged"].data["updated"]
        widths = [
            np.ptp(one["responses"][0]["mean_interval"])
            if isinstance(one["responses"], list)
            else np.ptp(one["responses"]["z_strength"]["mean_interval"])
            for one in (before, after)
        ]
        assert widths[1] < widths[0]
        assert after["conformance"]["lower"] >= before["conformance"]["lower"] - 0.02
        assert after["conformance"]["required"] == before["conformance"]["required"]
        assert after["responses"][0]["tolerance"]["lower"] < after["responses"][0]["mean"]

    def test_a_large_drop_is_not_confirmed(self, answered):
        data = tried(answered, shift=5.0)
        assert data["verdict"] == "not confirmed"
        assert "lies below its prediction interval" in data["reasons"][0]
        assert "find out what changed since the first prints" in data["next"]

    def test_a_large_rise_leaves_it_open(self, answered):
        data = tried(answered, shift=-5.0)
        assert data["verdict"] == "inconclusive"
        assert "better than its prediction interval" in data["reasons"][0]
        assert "check the instrument" in data["next"]

    def test_prints_that_all_failed(self, answered):
        data = tried(answered, outcomes=["detached"] * 6)
        assert data["verdict"] == "not confirmed"
        assert data["reasons"][0] == "none of the 6 prints completed"
        assert data["next"].startswith("look at the failed prints")
        assert data["outcomes"][0]["place"] == "no value"

    def test_one_failure_leaves_it_open_and_three_do_not(self, answered, tmp_path):
        other = Folder(shutil.copytree(answered.path, tmp_path / "other"))
        one = tried(answered, outcomes=["detached"])
        assert one["verdict"] == "inconclusive"
        assert one["reasons"] == ["1 of 6 prints failed: chance, or the setting, and so few prints cannot tell which"]
        three = tried(other, outcomes=["detached", "clogged", "detached"])
        assert three["verdict"] == "not confirmed"
        assert "3 of 6 prints failed, more than" in three["reasons"][0]

    @pytest.mark.slow
    def test_lost_prints_are_fewer_prints(self, answered, tmp_path):
        other = Folder(shutil.copytree(answered.path, tmp_path / "other"))
        two = tried(answered, outcomes=["lost", "skipped"])
        assert two["verdict"] == "confirmed"
        assert two["outcomes"][0]["prints"] == 4
        assert [reason for _, reason in two["without"]] == ["lost", "skipped"]
        four = tried(other, outcomes=["lost"] * 4)
        assert four["verdict"] == "inconclusive"
        assert "2 of 6 prints gave a value, less than half" in four["reasons"][0]

    def test_a_seal_that_fails(self, answered, tmp_path):
        other = Folder(shutil.copytree(answered.path, tmp_path / "other"))
        assert tried(answered, fails=[2])["verdict"] == "inconclusive"
        data = tried(other, fails=[1, 2, 4])
        assert data["verdict"] == "not confirmed"
        assert "seal: 3 of 6 prints miss 'pass on each print'" in data["reasons"][0]

    def test_a_correction_is_judged_anew(self, confirmed):
        book = load_workbook(confirmed.path / "sheets" / "round-2.xlsx")
        page = book["Coupons"]
        letters = {cell.value: cell.column_letter for cell in page[2]}
        column = next(letter for name, letter in letters.items() if name and "z strength" in str(name).lower())
        for row in range(3, 15):
            page[f"{column}{row}"] = 21.0
        book.save(confirmed.path / "sheets" / "round-2.xlsx")
        steps.collect(confirmed, [], "somebody")
        assert "changed since" in study_status.status(confirmed).data["state"]
        assert confirming.confirmed(confirmed, Asked()).data["verdict"] == "not confirmed"


def refused(doe, folder, *arguments):
    before = snapshot(folder.path)
    status, out, err = doe(*arguments, "--study", folder.path)
    assert status == 3, (status, out, err)
    assert out == ""
    assert snapshot(folder.path) == before
    return err


class TestRefusals:
    def test_steps_out_of_turn(self, tmp_path, doe):
        folder = planned(tmp_path / "clip", STUDY.encode(), REQUEST)
        assert "doe collect" in refused(doe, folder, "confirm")
        fill(folder)
        assert "doe recommend" in refused(doe, folder, "confirm")
        assert "there is none" in refused(doe, folder, "release", "--by", "A. Person")

    def test_a_stale_or_unknown_recommendation(self, answered, doe):
        assert "there is no recommendation 7" in refused(doe, answered, "confirm", "--recommendation", 7)
        target = next((answered.path / "sheets").glob("*.xlsx"))
        book = load_workbook(target)
        note = next(cell for row in book["Prints"].iter_rows(max_row=5) for cell in row if cell.value == "Note")
        book["Prints"].cell(note.row + 1, note.column).value = "found later"
        book.save(target)
        steps.collect(answered, [target], "operator")
        assert "run 'doe fit' and 'doe recommend' again" in refused(doe, answered, "confirm")

    def test_lack_of_fit_asks_for_a_reason(self, tmp_path, doe):
        folder = answer(tmp_path / "clip", bent=6.0)
        err = refused(doe, folder, "confirm")
        assert "response z_strength: curvature: the centre prints lie" in err
        assert "--override REASON" in err
        status, out, _ = doe(
            "confirm", "--study", folder.path, "--override", "the part is used at the centre", "--json"
        )
        assert status == 0
        data = json.loads(out)
        assert data["override"] == "the part is used at the centre"
        assert data["verdicts"][0]["name"] == "planned in spite of a doubt"
        assert folder.log()[-1]["detail"]["override"] == "the part is used at the centre"

    def test_exploratory(self, answered, doe):
        stored = {**json.loads(answered.read("recommendation.json")), "exploratory": True}
        for name in ("recommendation.json", "recommendation-1.json"):
            (answered.path / name).write_bytes(dump_json(stored))
        assert "it rests on an exploratory model" in refused(doe, answered, "confirm")

    def test_one_confirmation_at_a_time(self, answered, doe):
        assert doe("confirm", "--study", answered.path)[0] == 0
        assert "it is planned and has no sheet yet" in refused(doe, answered, "confirm")
        steps.sheet(answered)
        err = refused(doe, answered, "confirm")
        assert err.count("it has no outcome yet") == 6
        assert "6 problems" in err
        err = refused(doe, answered, "confirm", "--loads", 8, "--override", "because")
        assert "--loads: given while confirmation 1 is out" in err
        assert "--override: given while" in err

    def test_a_setting_is_not_tried_until_it_passes(self, answered, doe):
        tried(answered, shift=5.0)
        assert "a setting is not tried again until it passes by luck" in refused(doe, answered, "confirm")
        assert "it says 'not confirmed'" in refused(doe, answered, "release", "--by", "A. Person")

    def test_an_open_matter_is_tried_on_new_loads(self, answered):
        tried(answered, outcomes=["detached"])
        again = confirming.confirmed(answered, Asked(seed=5)).data
        assert (again["number"], again["round"]) == (2, 3)
        assert (
            again["forecasts"][0]["means"] == json.loads(answered.read("confirmation-1.json"))["forecasts"][0]["means"]
        )


class TestRelease:
    def test_a_person_releases_what_data_confirmed(self, confirmed, doe):
        status, out, _ = doe("release", "--by", "A. Person", "--study", confirmed.path, "--json")
        assert status == 0
        data = json.loads(out)
        assert data == json.loads(confirmed.read("release.json"))
        assert (data["by"], data["recommendation"], data["confirmation"]) == ("A. Person", 1, 1)
        assert data["judgement_digest"] == digest(confirmed.read("judgement-1.json"))
        assert confirmed.log()[-1]["command"] == "release"
        state = study_status.status(confirmed).data
        assert "is confirmed (confirmation 1), and A. Person released it on" in state["state"]

    def test_nobody_releases_nothing(self, confirmed, doe):
        assert "names nobody" in refused(doe, confirmed, "release", "--by", " ")

    def test_a_later_change_ends_it(self, confirmed, doe):
        releasing.released(confirmed, "A. Person")
        record = confirmed.read("record/prints.csv").replace(b",completed,", b",lost,", 1)
        confirmed.commit("collect", {"record/prints.csv": record}, reads={}, version="test")
        state = study_status.status(confirmed).data
        assert "what confirmation 1 rests on changed, so that it no longer holds" in state["state"]
        said = study_status.status(confirmed).lines[1]
        assert re.fullmatch(
            r"The release of (.{10}) by A\. Person ended on \1, since record/prints\.csv changed \(doe collect\)\.", said
        )
        err = refused(doe, confirmed, "release", "--by", "A. Person")
        assert "changed since it was judged: record/prints.csv" in err
        assert "no longer judges the latest recommendation" in err

    def test_an_unjudged_confirmation_is_not_released(self, answered, doe):
        confirming.confirmed(answered, Asked(seed=3))
        assert "the confirmation is not judged yet" in refused(doe, answered, "release", "--by", "A. Person")


def test_a_plan_without_its_confirmations_is_the_plan_before(confirmed_once):
    from doe.record.declared import without_confirmations

    folder, said = confirmed_once
    opened = OpenStudy(folder)
    study = opened.study()
    before, _ = without_confirmations(opened.design(study), opened.record(study))
    assert plan_text(before) == said["before"]


@pytest.mark.slow
def test_a_fit_made_after_the_prints_leads_to_the_same_judgement(answered):
    # Whether or not fit and recommendation are made again in between, prints of confirmations stay out of them.
    tried(answered, outcomes=["detached"])
    steps.fit(answered, None)
    steps.recommend(answered)
    again = confirming.confirmed(answered, Asked(seed=5)).data
    assert again["number"] == 2
    first = json.loads(answered.read("confirmation-1.json"))
    assert again["forecasts"][0]["basis"] == first["forecasts"][0]["basis"]
