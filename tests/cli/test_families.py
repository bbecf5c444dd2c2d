"""Every family of materials on the whole path, from ``doe new`` to the report, on a simulated bench that takes any study."""

import json
import re

import numpy as np
import pytest

from doe.cli import new_study, planning, steps
from doe.cli.open_study import RECOMMENDATION, REPORT, OpenStudy
from doe.demo.bench import Results
from doe.demo.write import fill_workbook
from doe.design import check
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.numerics.strength import FORMULAS
from doe.study import scale
from doe.study.heat import nozzle_factor
from doe.study.materials import families
from tests.cli.conftest import written_down

SIZES = {"width": 5.0, "thickness": 2.0, "span": 64.0, "diameter": 20.0}
"""Nominal sizes of coupons, mm."""


def mean_of(response, x):
    """Return a mean that is best a little beside the middle of the region, where it meets the requirement well."""
    bend = float(((x - 0.2) ** 2).sum())
    if response.at_most is not None:
        return response.at_most * (0.4 + 0.1 * bend)
    return (response.at_least or 1.0) * (1.8 - 0.1 * bend)


def cells_of(response, identifier, value):
    """Return the cells of one value: sizes and what is measured where it is computed from them, else the value."""
    if response.formula is None:
        return {(identifier, response.name): round(value, 3)}
    measured, *sizes = response.inputs
    cells = {(identifier, key): SIZES[response.inputs[key].key] for key in sizes}
    of_one = float(FORMULAS[response.formula].function(1.0, *cells.values()))
    return {**cells, (identifier, measured): round(value / of_one, 6)}


def results_of(study, design, seed=4):
    """Print and test every coupon of a plan in a shop without failures."""
    generator = np.random.default_rng(seed)
    runs = design.runs.reset_index(drop=True)
    settings = scale.coded(study, check.settings_of(study, runs, "set"))
    of_load = dict(zip(dict.fromkeys(runs["load"]), generator.normal(0, 0.02, len(runs)), strict=False))
    prints, coupons = {}, {}
    for row, x in enumerate(settings):
        name = runs["print"][row]
        prints |= {(name, "outcome"): "completed", (name, "operator"): "simulated"}
        for response in study.responses:
            if response.kind == "graded":
                prints[name, response.name] = int(generator.choice([3, 4, 5], p=[0.1, 0.4, 0.5]))
                continue
            level = mean_of(response, x) * (1 + of_load[runs["load"][row]] + generator.normal(0, 0.02))
            if response.per == "print":
                prints |= cells_of(response, name, level)
                continue
            for number in range(1, response.coupons + 1):
                coupon = f"{name}-{number}"
                coupons |= cells_of(response, coupon, level * (1 + generator.normal(0, 0.03)))
                coupons[coupon, "outcome"] = "completed"
    return Results(prints, coupons, {})


def walked(folder, wanted):
    """Take a new study to its report with no edit but the texts that are to be written; return the recommendation as data."""
    new_study.new(folder, wanted)
    written_down(folder.path)
    planning.plan(folder, PlanRequest(one_round=True, seed=3))
    written = steps.sheet(folder).data
    opened = OpenStudy(folder)
    study = opened.study()
    filled = fill_workbook(folder.read(written["file"]), written["sheets"], results_of(study, opened.design(study)))
    opened.commit("demo", {written["file"]: filled}, simulated=True)
    steps.collect(folder, [], "simulated bench")
    steps.fit(folder, None)
    steps.recommend(folder)
    steps.report(folder)
    return study, json.loads(folder.read(RECOMMENDATION))


@pytest.mark.slow
@pytest.mark.parametrize("family", families())
def test_a_family_goes_from_new_to_report_without_an_edit(tmp_path, family):
    study, advised = walked(Folder(tmp_path / "mine"), new_study.Wanted(family))
    assert (tmp_path / "mine" / REPORT).read_bytes().startswith(b"%PDF")
    assert set(advised["settings"]) == {factor.name for factor in study.factors}
    nozzle = nozzle_factor(study.factors)
    for printer in study.printers:  # what is recommended is within what hot ends stand
        low, high = printer.limits[nozzle.name]
        assert low <= advised["settings"][nozzle.name]["value"] <= high
        assert printer.hot_end == "all-metal" or high < 250


@pytest.mark.parametrize("family", families())
def test_every_offered_response_can_be_chosen(tmp_path, doe, family):
    from doe.study.materials import template
    from doe.study.read import parse_study

    offered = [one.name for one in (*template(family).responses, *template(family).offers)]
    assert set(offered) >= {"z_strength", "first_layer_peel", "bed_grade", "corner_lift"}
    status, out, _ = doe("new", tmp_path / "mine", "--family", family, "--printers", 1, "--responses", ",".join(offered))
    assert status == 0 and "Also offered" not in out
    study = parse_study((tmp_path / "mine" / "study.toml").read_text(encoding="utf-8"))
    assert [one.name for one in study.responses] == offered
    assert len(study.printers) == 1


@pytest.mark.parametrize(
    ("responses", "printers"), [("z_strength,first_layer_peel,bed_grade", 3), ("z_strength", 1)], ids=["three", "one"]
)
def test_chosen_responses_plan_without_edits(tmp_path, doe, responses, printers):
    mine = tmp_path / "mine"
    status, out, _ = doe("new", mine, "--family", "PA-CF", "--printers", printers, "--responses", responses)
    assert status == 0
    assert "Fibre dust" in out and "prevail over this list" in out
    status, out, err = doe("plan", "--study", mine)
    assert (status, err) == (0, "")
    assert "Wrote plan.csv" in out


def test_a_response_that_is_not_offered_lists_those_that_are(tmp_path, doe):
    status, _, err = doe("new", tmp_path / "mine", "--family", "PLA", "--responses", "z_strenght,gloss")
    assert status == 3
    assert "no response is named 'z_strenght'; for PLA the responses to choose from are 'z_strength'" in err
    assert "did you mean 'z_strength'" in err and "'gloss'" in err
    assert not (tmp_path / "mine").exists()


@pytest.mark.parametrize(("written", "message"), [("", "no response is named"), ("z_strength,z_strength", "there twice")])
def test_responses_are_named_once(tmp_path, doe, written, message):
    status, _, err = doe("new", tmp_path / "mine", "--family", "PLA", "--responses", written)
    assert status == 3 and message in err


@pytest.mark.parametrize("asked", [(), ("--family", "nylon")], ids=["none", "unknown"])
def test_without_a_known_family_they_are_listed_with_a_line_each(tmp_path, doe, asked):
    status, _, err = doe("new", tmp_path / "mine", *asked)
    assert status == 3
    lines = [line.split() for line in err.splitlines()]
    for family in families():
        assert any(words[:1] == [family] and len(words) > 1 for words in lines), family
    assert not (tmp_path / "mine").exists()


def test_a_family_like_a_known_one_is_told_of_the_general_one_too(tmp_path, doe):
    status, _, err = doe("new", tmp_path / "mine", "--family", "PCTG")
    assert status == 3
    assert "did you mean 'PETG'?" in " ".join(err.split()) and "'other'" in err


def test_plan_and_amend_say_what_to_look_at_before_anything_is_heated(tmp_path, doe):
    mine = tmp_path / "mine"
    assert doe("new", mine, "--family", "PA-CF")[0] == 0
    file = mine / "study.toml"
    hardened = file.read_text(encoding="utf-8")
    file.write_text(hardened.replace("hardened steel, 0.6 mm", "brass, 0.6 mm"), encoding="utf-8")
    planned = json.loads(doe("plan", "--study", mine, "--json")[1])
    assert "brass nozzle for fibres" in [one["name"] for one in planned["verdicts"]]
    file.write_text(hardened.replace("hardened steel, 0.6 mm", "brass, 0.4 mm"), encoding="utf-8")
    amended = json.loads(doe("amend", "--study", mine, "--reason", "finer nozzle", "--json")[1])
    assert "brass nozzle for fibres" in [one["name"] for one in amended["verdicts"]]


def test_an_amendment_beyond_a_lined_hot_end_is_refused(tmp_path, doe):
    mine = tmp_path / "mine"
    assert doe("new", mine, "--family", "PETG")[0] == 0
    assert doe("plan", "--study", mine)[0] == 0
    file = mine / "study.toml"
    wider = file.read_text(encoding="utf-8").replace("high = 238", "high = 264").replace("= [0, 240]", "= [0, 300]")
    file.write_text(wider, encoding="utf-8")
    status, _, err = doe("amend", "--study", mine, "--reason", "hotter")
    assert status == 3
    assert "PTFE liner stays below 250 °C" in err


def test_limits_that_end_below_planned_setpoints_name_the_prints_and_no_sheet_is_written(tmp_path, doe):
    mine = tmp_path / "mine"
    assert doe("new", mine, "--family", "PETG")[0] == 0
    file = mine / "study.toml"
    text = file.read_text(encoding="utf-8")
    read = '[[printers.checks]]\nfactor = "nozzle_temperature"\nset = [220, 230, 240]\nactual = [216, 226, 236]\n\n'
    text = text.replace('[[printers]]\nname = "B"', read + '[[printers]]\nname = "B"').replace("[0, 240]", "[0, 245]")
    file.write_text(text, encoding="utf-8")  # printer A reads 4 degrees low: for 238 it is set to 242
    assert doe("plan", "--study", mine)[0] == 0
    file.write_text(text.replace("[0, 245]", "[0, 240]", 1), encoding="utf-8")
    verdicts = json.loads(doe("amend", "--study", mine, "--reason", "lined", "--json")[1])["verdicts"]
    causes = {one["name"]: one["cause"] for one in verdicts}
    assert "plan made for the protocol before" not in causes
    named = r"prints P\d.* are to be made on printer A, which reaches 0 to 240"
    assert re.match(named, causes["planned beyond a printer's limits"])
    status, _, err = doe("sheet", "--study", mine)
    assert status == 3
    assert "this printer reaches 0 to 240" in err
