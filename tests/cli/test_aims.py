"""A published study of aims through every command: from its file to the recommended setting."""

import json
import shutil

import numpy as np
import pytest
from openpyxl import load_workbook

from tests.reference_data import expected_of, rows_of

pytestmark = pytest.mark.usefixtures("undrawn_throughout")

# Derringer and Suich (1980): silica, silane and sulfur in a tyre tread compound; x1 = (silica - 1.2) / 0.5, x2 = (silane - 50)
# / 10, x3 = (sulfur - 2.3) / 0.5. The ranges reach to the axial prints at 1.633.
CENTRES = {"silica": (1.2, 0.5), "silane": (50.0, 10.0), "sulfur": (2.3, 0.5)}
TYRE = """
[study]
id = "tyre"
title = "Tyre tread compound"
material = "rubber with silica"
family = "other"

[[factors]]
name = "silica"
unit = "phr"
low = 0.3835
high = 2.0165
increment = 0.0115

[[factors]]
name = "silane"
unit = "phr"
low = 33.67
high = 66.33
increment = 0.23

[[factors]]
name = "sulfur"
unit = "phr"
low = 1.4835
high = 3.1165
increment = 0.0115

[[responses]]
name = "abrasion"
unit = "1"
per = "print"
aim = "maximise"
worthless_below = 120
perfect_at = 170

[[responses]]
name = "modulus"
unit = "psi"
per = "print"
aim = "maximise"
worthless_below = 1000
perfect_at = 1300

[[responses]]
name = "elongation"
unit = "%"
per = "print"
aim = "target"
worthless_below = 400
perfect_at = 500
worthless_above = 600

[[responses]]
name = "hardness"
unit = "1"
per = "print"
aim = "target"
worthless_below = 60
perfect_at = 67.5
worthless_above = 75
"""
RESPONSES = ("abrasion", "modulus", "elongation", "hardness")


def table_of(rows):
    """Return the published settings in natural units as a plan."""
    lines = [",".join(CENTRES)]
    for row in rows:
        values = (centre + half * float(row[f"x{place}"]) for place, (centre, half) in enumerate(CENTRES.values(), 1))
        lines.append(",".join(f"{value:.10g}" for value in values))
    return "\n".join(lines) + "\n"


def fill(path, place, results):
    """Type results by print into the workbook's sheet of prints, in the order of the plan."""
    book = load_workbook(path)
    page = book[place["sheet"]]
    for row in range(place["first_row"], place["last_row"] + 1):
        for column, value in results[page[f"{place['columns']['print']}{row}"].value].items():
            page[f"{place['columns'][column]}{row}"] = value
    book.save(path)


@pytest.fixture(scope="module")
def tyre(tmp_path_factory):
    """Return a study's folder with the published plan and values typed into its workbook."""
    folder, rows = tmp_path_factory.mktemp("aims") / "tyre", rows_of("D_tyre_tread")
    folder.mkdir()
    (folder / "study.toml").write_text(TYRE, encoding="utf-8")
    (folder.parent / "published.csv").write_text(table_of(rows), encoding="utf-8")
    return folder, rows


def advise(folder, rows, doe):
    """Take every step to the recommendation; return it."""
    status, _, error = doe("plan", "--from", folder.parent / "published.csv", "--study", folder)
    assert status == 0, error
    status, out, _ = doe("sheet", "--json", "--study", folder)
    assert status == 0
    sheet = json.loads(out)
    prints = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    name = prints[0].split(",").index("print")
    results = {
        line.split(",")[name]: {"outcome": "completed"} | {response: float(row[response]) for response in RESPONSES}
        for line, row in zip(prints[1:], rows, strict=True)
    }
    fill(folder / sheet["file"], sheet["sheets"]["Prints"], results)
    assert doe("collect", "--study", folder)[0] == 0
    assert doe("fit", "--study", folder)[0] == 0
    status, out, error = doe("recommend", "--json", "--study", folder)
    assert status == 0, error
    return json.loads(out)


@pytest.fixture
def advised(tyre, doe):
    """Return the study with its recommendation, made once."""
    folder, rows = tyre
    if not (folder / "recommendation.json").exists():
        advise(folder, rows, doe)
    return folder


def test_published_optimum_is_recommended(advised, doe):
    folder, found = advised, json.loads((advised / "recommendation.json").read_bytes())
    recomputed = expected_of("D_tyre_tread")["recomputed"]["optimum_from_refit"]
    published = expected_of("D_tyre_tread")["published"]
    desirable = found["desirable"]
    assert desirable["overall"] == pytest.approx(recomputed["D"], abs=0.002)
    assert desirable["overall"] == pytest.approx(published["overall_D"], abs=0.002)
    for wish, own, mean in zip(desirable["wishes"], published["individual_d"], published["predicted"], strict=True):
        assert wish["mean"] == pytest.approx(mean, rel=0.01)
        assert wish["desirability"] == pytest.approx(own, abs=0.02)
    for (centre, half), name, at in zip(CENTRES.values(), CENTRES, published["optimum_x"], strict=True):
        assert (found["settings"][name]["value"] - centre) / half == pytest.approx(at, abs=0.05)
    assert found["conformance"] is None
    assert all(one["meets"] == "" and one["tolerance"] is None for one in found["responses"].values())
    status, out, error = doe("recommend", "--study", folder)
    assert status == 0, error
    assert "flatters the setting" in " ".join(out.split())
    assert "Conformance" not in out


@pytest.mark.slow
def test_report_of_aims_is_written(advised, doe):
    folder = advised
    status, _, error = doe("report", "--study", folder)
    assert status == 0, error
    assert (folder / "report.pdf").stat().st_size > 10_000


def predicted(folder):
    return {name: one["mean"] for name, one in json.loads((folder / "recommendation.json").read_bytes())["responses"].items()}


def tried(folder, doe, change=None, outcomes=()):
    """Plan, print and judge a confirmation whose six prints lie about what was predicted; return its words and the judgement."""
    override = ("--override", "published data, which have lack of fit")
    status, plan, error = doe("confirm", "--seed", 3, *override, "--study", folder)
    assert status == 0, error
    status, out, _ = doe("sheet", "--json", "--study", folder)
    sheet = json.loads(out)
    (number,) = (int(name.stem.split("-")[1]) for name in folder.glob("confirmation-*.json"))
    prints = [one["print"] for one in json.loads((folder / f"confirmation-{number}.json").read_bytes())["prints"]]
    means, results = predicted(folder) | (change or {}), {}
    for place, name in enumerate(prints):
        outcome = outcomes[place] if place < len(outcomes) else "completed"
        values = {response: mean * (1 + 0.002 * (place - 2.5)) for response, mean in means.items()}
        results[name] = {"outcome": outcome} | (values if outcome == "completed" else {})
    fill(folder / sheet["file"], sheet["sheets"]["Prints"], results)
    assert doe("collect", "--study", folder)[0] == 0
    status, out, error = doe("confirm", "--study", folder)
    assert status == 0, error
    return plan, out, json.loads((folder / "judgement-1.json").read_bytes())


@pytest.fixture
def copied(advised, tmp_path):
    return shutil.copytree(advised, tmp_path / "tyre")


def without_requirements(text):
    """Whether a text says nothing of requirements or of shares of prints that meet them, which a study with aims has not."""
    return not any(word in text.lower() for word in ("conform", "requirement", "tolerance", "meets it", "meet it"))


def test_a_confirmation_of_aims_is_judged_by_means_and_prints(copied, doe):
    plan, out, data = tried(copied, doe)
    assert data["verdict"] == "confirmed"
    assert [one["place"] for one in data["outcomes"]] == ["inside"] * 4
    assert all(len(one["singles"]) == 6 and (one["values"], one["missed"]) == (0, 0) for one in data["outcomes"])
    assert {one["response"] for one in data["outcomes"]} == set(RESPONSES)
    assert without_requirements(plan) and without_requirements(out)
    assert "a response with an aim" in " ".join(plan.split())
    assert "this confirmation would catch a change of" in plan and "would catch a drop of" in plan
    state = doe("status", "--study", copied)[1]
    assert "recommendation 1 is confirmed" in state and without_requirements(state)
    assert doe("release", "--by", "A. Person", "--study", copied)[0] == 0


@pytest.mark.slow
def test_all_prints_together_give_the_desirability_anew(copied, doe):
    # No loads and one value a print: least squares over the 20 published prints and the six new ones, made here.
    _, out, data = tried(copied, doe)
    rows = rows_of("D_tyre_tread")
    place = json.loads((copied / "recommendation.json").read_bytes())["settings"]
    new = np.array([(place[name]["value"] - centre) / half for name, (centre, half) in CENTRES.items()])
    x = np.vstack([[[float(row[f"x{i}"]) for i in (1, 2, 3)] for row in rows], np.tile(new, (6, 1))])
    pairs = [x[:, i] * x[:, j] for i in range(3) for j in range(i, 3)]
    X = np.column_stack([np.ones(26), x, *pairs])
    means = predicted(copied)
    spread = 1 + 0.002 * (np.arange(6) - 2.5)
    at = {
        name: X[-1] @ np.linalg.lstsq(X, np.r_[[float(row[name]) for row in rows], means[name] * spread])[0] for name in RESPONSES
    }
    worth = [
        np.clip((at["abrasion"] - 120) / 50, 0, 1), np.clip((at["modulus"] - 1000) / 300, 0, 1),
        np.clip(1 - abs(at["elongation"] - 500) / 100, 0, 1), np.clip(1 - abs(at["hardness"] - 67.5) / 7.5, 0, 1),
    ]  # fmt: skip
    found = data["updated"]["desirable"]
    assert data["updated"]["conformance"] is None
    assert found["overall"] == pytest.approx(np.prod(worth) ** 0.25, abs=1e-6)
    assert found["low"] < found["overall"] < found["high"]
    assert {one["response"]: one["mean"] for one in data["updated"]["responses"]} == pytest.approx(at)
    assert "Desirability of the setting, all prints together" in out and f"{found['overall']:.2f}" in out
    assert "The setting, all prints together" in out


def test_a_drop_and_a_worthless_mean_are_not_confirmed(copied, doe):
    _, out, data = tried(copied, doe, {"modulus": 300.0})
    assert data["verdict"] == "not confirmed"
    assert data["reasons"][0].startswith("modulus: the mean of 6 prints, 300 psi, lies below its prediction interval")
    assert data["reasons"][-1] == (
        "modulus: the mean itself, 300 psi, is worth nothing by its aim (high: worth nothing up to 1000 psi, perfect from 1300 "
        "psi)"
    )
    assert without_requirements(out)


@pytest.mark.slow
def test_a_target_is_missed_to_both_sides(copied, doe):
    mean = predicted(copied)["hardness"]
    _, _, data = tried(copied, doe, {"hardness": mean + 12})
    assert data["verdict"] == "not confirmed"
    assert "hardness: the mean of 6 prints" in data["reasons"][0] and "lies above its prediction interval" in data["reasons"][0]


@pytest.mark.slow
def test_prints_that_all_failed_leave_the_desirability_as_it_was(copied, doe):
    _, out, data = tried(copied, doe, outcomes=["detached"] * 6)
    assert data["verdict"] == "not confirmed"
    assert data["reasons"] == ["none of the 6 prints completed"]
    assert data["remarks"] == ["the desirability was not computed anew: none of its prints gave a value"]
    assert without_requirements(out)
