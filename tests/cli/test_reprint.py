"""``doe plan --reprint``: lost prints get a round of their own, and the fit takes them for the round they were lost from."""

import json
from dataclasses import replace

import numpy as np
import openpyxl
import pytest

from doe.design.read import read_plan
from doe.files import Folder
from doe.record.read_tables import record_files
from doe.study.read import parse_study
from tests.cli.conftest import snapshot, strength_study
from tests.records import simulated

STUDY = strength_study("quadratic", coupons=3)


@pytest.fixture
def path(tmp_path, doe):
    folder = tmp_path / "clip"
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY)
    for command in (("plan", "--kind", "central-composite", "--seed", 3), ("sheet",)):
        status, _, err = doe(*command, "--study", folder)
        assert status == 0, err
    return folder


def record(path, lost):
    study = parse_study((path / "study.toml").read_text())
    design = read_plan((path / "plan.csv").read_bytes(), study)
    made = simulated(study, design)
    prints, coupons = made.prints.copy(), made.coupons.copy()
    prints.loc[prints["print"].isin(lost), "outcome"] = "lost"
    mine = coupons["print"].isin(lost)
    coupons.loc[mine, "z_strength"], coupons.loc[mine, "outcome"] = np.nan, "lost"
    Folder(path).commit("collect", record_files(replace(made, prints=prints, coupons=coupons)), reads={}, version="test")
    return design


def test_lost_prints_are_planned_anew_handed_out_and_fitted(path, doe):
    design = record(path, [])
    lost = list(design.runs["print"][2:4])
    record(path, lost)
    status, out, err = doe("plan", "--reprint", "--seed", 1, "--study", path)
    assert status == 0, err
    assert f"Planned anew: {lost[0]}, {lost[1]}." in out
    assert doe("sheet", "--study", path)[0] == 0
    book = openpyxl.load_workbook(path / "sheets" / "round-2.xlsx")
    headings = [cell.value for cell in book["Prints"][2]]
    again, name = headings.index("Reprint of"), headings.index("Print")
    written = {row[name]: row[again] for row in book["Prints"].iter_rows(min_row=3, values_only=True)}
    runs = read_plan((path / "plan.csv").read_bytes(), parse_study((path / "study.toml").read_text())).of_round(2)
    assert written == dict(zip(runs["print"], runs["reprint_of"], strict=True))
    assert sorted(written.values()) == sorted(lost)
    assert {book["Labels"][f"{letter}3"].value.partition("reprint of ")[2] for letter in "AC"} == set(lost)
    assert doe("collect", path / "sheets" / "round-2.xlsx", "--study", path)[0] == 0
    assert doe("check", "--study", path)[0] == 0
    record(path, lost)
    status, out, err = doe("fit", "--json", "--study", path)
    assert status == 0, err
    (fitted,) = json.loads(out)["responses"]
    assert fitted["prints"] == len(design.runs)
    assert not [one["label"] for one in fitted["coefficients"] if one["label"].startswith("round")]


def test_where_nothing_was_lost_it_is_refused(path, doe):
    record(path, [])
    before = snapshot(path)
    status, _, err = doe("plan", "--reprint", "--study", path)
    assert status == 3
    assert "no print of the plan was lost or skipped" in err
    assert snapshot(path) == before


def test_what_is_planned_anew_is_not_planned_twice(path, doe):
    design = record(path, [])
    record(path, [design.runs["print"][0]])
    assert doe("plan", "--reprint", "--study", path)[0] == 0
    status, _, err = doe("plan", "--reprint", "--study", path)
    assert status == 3
    assert "that is not planned anew already" in err


def test_a_collection_says_what_was_lost_and_offers_to_plan_it_anew(path, doe):
    from doe.record.lost import lost_lines, to_reprint
    from doe.record.read_tables import read_record

    design = record(path, [])
    lost = list(design.runs["print"][:3])
    record(path, lost)
    status, out, err = doe("collect", "--json", "--study", path)
    assert status == 0, err
    assert sorted(json.loads(out)["to_reprint"]) == sorted(lost)
    _, out, _ = doe("collect", "--study", path)
    assert f"Lost or skipped, {len(lost)} of the plan's prints: {lost[0]}" in out
    assert "'doe plan --reprint'" in out
    assert doe("plan", "--reprint", "--study", path)[0] == 0
    study = parse_study((path / "study.toml").read_text())
    design = read_plan((path / "plan.csv").read_bytes(), study)
    kept = read_record({name: Folder(path).read(name) for name in Folder(path).names("record/*.csv")}, study)
    assert to_reprint(design, kept) == ()
    assert lost_lines(design, kept) == ()
    assert "doe plan --reprint" not in doe("collect", "--study", path)[1]
