"""Planning on the command line: reasons, proposals, comparison, pilot, and what is refused."""

import json

import pytest

from doe.cli import planning
from doe.cli.options import show
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.report.tables import plain_text
from tests.cli.conftest import TWO_FACTORS, snapshot
from tests.path import fill

STUDY = TWO_FACTORS + """
[[factors]]
name = "drying_time"
unit = "h"
low = 4
high = 12
increment = 0.5
change = "load"

[[responses]]
name = "z_strength"
unit = "MPa"
per = "print"
at_least = 20.0

[model]
terms = "quadratic"

[[printers]]
name = "A"

[[printers]]
name = "B"
"""
BUDGET = "\n[budget]\nprints = 20\nloads = 6\n"


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "clip"
    path.mkdir()
    (path / "study.toml").write_text(STUDY + BUDGET)
    return path


def told(doe, folder, *arguments):
    status, out, err = doe(*arguments, "--study", folder, "--json")
    assert status == 0, err
    return json.loads(out)


def refused(doe, folder, *arguments):
    before = snapshot(folder)
    status, out, err = doe(*arguments, "--study", folder)
    assert (status, out) == (3, ""), (out, err)
    assert "Traceback" not in err and "Warning" not in err
    assert snapshot(folder) == before
    return err


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    path = tmp_path_factory.mktemp("planned")
    (path / "study.toml").write_text(STUDY + BUDGET)
    return planning.plan(Folder(path), PlanRequest(seed=2))


def test_the_plan_says_why_in_two_sentences_and_what_it_will_show_and_take(planned, capsys):
    show(planned, as_json=False)
    out = capsys.readouterr().out
    first, second = out.splitlines()[:2]
    assert first.startswith("To find where the best setting is, 20 prints in 6 drying loads were chosen to")
    assert second.startswith("They estimate the 11 coefficients of model and printers and leave ")
    assert second.endswith(" 3 error degrees of freedom between loads and 6 between prints.")
    for title in ("The plan", "Smallest effects that this plan will find", "What it takes", "Timetable", "Run table"):
        assert f"\n{title}\n" in out


def test_the_json_holds_what_the_screen_shows(planned, capsys):
    show(planned, as_json=True)
    data = json.loads(capsys.readouterr().out)
    assert data["facts"]["strata"] == {
        "prints": 20, "loads": 6, "coefficients": 11, "load_dof": 3, "print_dof": 6, "pure_error_dof": 3,
    }  # fmt: skip
    assert [one["factor"] for one in data["detectable"]] == ["nozzle_temperature", "bed_temperature", "drying_time"]
    drying = data["detectable"][2]
    assert drying["effect"] > 2 * data["detectable"][0]["effect"]  # judged against three degrees of freedom between loads
    assert data["effort"]["planned"]["prints"] == 20
    assert data["days"] >= 6
    assert len([one for one in data["timetable"] if one["what"] == "start print"]) == 20


def test_without_a_number_of_prints_two_plans_are_proposed_and_nothing_is_written(folder, doe):
    (folder / "study.toml").write_text(STUDY)
    before = snapshot(folder)
    status, out, _ = doe("plan", "--study", folder)
    assert status == 0
    assert snapshot(folder) == before
    for words in ("lean: 20 prints, 6 loads", "good: 30 prints, 8 loads"):
        assert words in out
    assert out.splitlines()[-2:] == ["doe plan --prints 20 --loads 6", "doe plan --prints 30 --loads 8"]


def test_candidates_stand_side_by_side_and_nothing_is_written(folder, doe):
    before = snapshot(folder)
    wanted = ["compound 24/6", "central-composite", "20/4", "definitive-screening"]
    arguments = [word for text in wanted for word in ("--candidate", text)]
    data = told(doe, folder, "plan", "--compare", *arguments, "--seed", 1)
    assert snapshot(folder) == before
    by_label = {one["label"]: one for one in data["candidates"]}
    assert list(by_label) == wanted
    assert by_label["compound 24/6"]["prints"] == 24
    assert by_label["20/4"]["facts"]["strata"]["load_dof"] == 1
    # Jones and Nachtsheim (2011): seven prints for three factors; the declared quadratic model has ten coefficients.
    assert "coefficients of the declared model" in by_label["definitive-screening"]["refused"]


@pytest.mark.slow
def test_every_command_of_a_comparison_makes_the_plan_that_was_compared(folder, doe):
    compared = planning.compare(Folder(folder), [], PlanRequest(seed=4))
    shown = "\n".join(plain_text(table, 100) for table in compared.tables)
    for words in ("Plans side by side", "chosen for you", "central composite", "working days", "greatest", "Commands"):
        assert words in shown
    for one in json.loads(json.dumps(compared.data))["candidates"]:
        words = one["command"].split()[1:]
        data = told(doe, folder, *words, "--replace")
        assert data["prints"] == one["prints"]
        assert data["facts"]["quality"] == one["facts"]["quality"]


def test_a_pilot_comes_first_is_recorded_and_lets_the_ranges_be_narrowed(folder, doe):
    data = told(doe, folder, "plan", "--pilot", "--seed", 3)
    assert data["prints"] == 4
    rows = (folder / "plan.csv").read_text().splitlines()
    assert len(rows) == 5
    fill(Folder(folder), [{"z_strength": 20.0 + i} for i in range(4)])
    assert told(doe, folder, "collect")["prints"] == 4
    assert "but a pilot's, which are not fitted" in refused(doe, folder, "fit")
    assert "doe plan" in told(doe, folder, "status")["next"]
    text = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(text.replace("high = 285", "high = 279"))
    told(doe, folder, "amend", "--reason", "the hottest corner clogged")
    assert told(doe, folder, "collect")["prints"] == 4  # the pilot's book still fits
    data = told(doe, folder, "plan", "--seed", 3)
    plan = (folder / "plan.csv").read_text().splitlines()
    assert plan[:5] == rows
    assert len(plan) == 25
    assert max(float(row.split(",")[9]) for row in plan[5:]) == 279
    assert len({row.split(",")[2] for row in plan[1:]}) == 24
    fill(Folder(folder), [{"z_strength": 20.0 + (i * 7) % 5} for i in range(20)])
    told(doe, folder, "collect")
    fitted = told(doe, folder, "fit")
    (response,) = fitted["responses"]
    assert response["prints"] == 20
    assert {tuple(one) for one in response["excluded"]} == {(row.split(",")[2], "pilot print") for row in rows[1:]}


def test_other_definitions_than_the_ranges_stay_after_a_pilot(folder, doe):
    told(doe, folder, "plan", "--pilot", "--seed", 3)
    assert doe("sheet", "--study", folder)[0] == 0
    text = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(text.replace("increment = 0.5", "increment = 1"))
    assert "definitions of factors" in refused(doe, folder, "amend", "--reason", "coarser")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--prints", "8"], "8 prints in 6 loads for the 11 coefficients"),
        (["--loads", "1"], r"with 1 drying load\(s\) no error degree of freedom"),
        (["--loads", "3"], r"with 3 drying load\(s\) no error degree of freedom"),
        (["--purpose", "screen"], "it has squares"),
        (["--kind", "box-behnken", "--prints", "20"], "has a number of prints of its own"),
        (["--kind", "plackett-burman"], "cannot tell apart|cannot estimate"),
        (["--candidate", "best one"], "'best one'"),
        (["--candidate", "30\\6"], "write it like"),
    ],
)
def test_a_plan_that_cannot_be_had_is_refused(folder, doe, arguments, said):
    import re

    assert re.search(said, refused(doe, folder, "plan", *arguments, "--seed", "1"))


@pytest.mark.parametrize(
    ("added", "said"),
    [
        ("[[constraints]]\ncoef = { nozzle_temperature = 1.0 }\nlimit = 250\n", "constraints\\[1\\]"),
        ("[[constraints]]\ncoef = { nozzle_temperature = 1.0 }\nlimit = 255\n", "cannot tell apart|no design was found|too few"),
        (
            '[[references]]\nname = "sheet"\nsetting = { nozzle_temperature = 300, bed_temperature = 70, drying_time = 6 }\n',
            "references\\[1\\] 'sheet'.*range, 255 to 285",
        ),
    ],
    ids=["no setting is left", "one value is left", "reference outside"],
)
def test_a_study_that_cannot_be_planned_is_refused(folder, doe, added, said):
    import re

    (folder / "study.toml").write_text(STUDY + added + BUDGET)
    assert re.search(said, refused(doe, folder, "plan", "--seed", "1"))


def test_zero_prints_are_a_wrong_use(folder, doe):
    status, _, err = doe("plan", "--study", folder, "--prints", 0)
    assert status == 2
    assert "--prints" in err
