"""A study in which Z goes the other way on one printer gives the same answers as one in which it goes alike, by symmetry."""

import json

import numpy as np
import pytest
from openpyxl import load_workbook

from doe.cli import confirming, planning, steps
from doe.cli.confirming import Asked
from doe.cli.open_study import OpenStudy
from doe.design import calibrated
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.report import printers, protocol
from doe.sheet.instructions import instructions

STUDY = """
[study]
id = "gap"
title = "First layer on two printers"
material = "invented polyester"
family = "PETG"

[[factors]]
name = "nozzle_temperature"
unit = "degC"
low = 225
high = 245
increment = 1

[[factors]]
name = "z_offset"
unit = "mm"
low = -0.13
high = 0.07
increment = 0.02
reading_sd = 0.005
z_closer = "negative"

[[responses]]
name = "peel"
unit = "N/mm"
coupons = 2
at_least = 4.0

[[printers]]
name = "A"
z_closer = "negative"

[[printers]]
name = "B"
limits = {{ z_offset = {limits} }}
z_closer = "{sense}"
{checks}
[[printers]]
name = "C"
z_closer = "{sense}"

[[instruments]]
id = "FG-1"
kind = "feeler gauge"
limit_of_error = 0.002
"""
CHECKS = """
[[printers.checks]]
factor = "z_offset"
set = {set}
actual = {actual}
instrument = "FG-1"
contact = 0.002
repeatability = 0.001
"""
TURNED = ("B", "C")


def text_of(sense):
    """Return the study; with ``positive`` printers B and C go the other way, and all that is said of them has the other sign."""
    sign = 1 if sense == "negative" else -1
    checks = CHECKS.format(
        set=[sign * one for one in (-0.16, -0.04, 0.10)], actual=[sign * one for one in (-0.140, -0.028, 0.103)]
    )
    return STUDY.format(limits=sorted([sign * -0.2, sign * 0.12]), sense=sense, checks=checks)


def fill(folder, sense):
    """Write the latest sheet and fill it as printers of that sense show it; one print of B and of C was set otherwise."""
    written = steps.sheet(folder).data
    opened = OpenStudy(folder)
    runs = opened.design(opened.study()).of_round(written["round"]).reset_index(drop=True)
    random = np.random.default_rng(written["round"])
    loads = sorted(set(runs["load"]))
    of_load = dict(zip(loads, random.normal(0, 0.05, len(loads)), strict=True))
    target, places = folder.path / written["file"], written["sheets"]
    book = load_workbook(target)
    sheets = {name: (book[place["sheet"]], place["columns"], place["first_row"]) for name, place in places.items()}
    (prints, columns, first), (coupons, of_coupon, line) = sheets["Prints"], sheets["Coupons"]
    otherwise = set()
    for place, run in runs.iterrows():
        sign = -1 if sense == "positive" and run["printer"] in TURNED else 1
        set_to = prints[f"{columns['set.z_offset']}{first + place}"].value
        assert set_to == run["set.z_offset"]
        if run["printer"] not in otherwise and run["printer"] in TURNED and written["round"] == 1:
            otherwise.add(run["printer"])
            set_to = set_to + sign * 0.02
            prints[f"{columns['used.z_offset']}{first + place}"] = set_to
            prints[f"{columns['deviation']}{first + place}"] = "off plan"
        reached = sign * set_to + random.normal(0, 0.01)
        prints[f"{columns['read.z_offset']}{first + place}"] = sign * reached
        prints[f"{columns['outcome']}{first + place}"] = "completed"
        heat = (run["target.nozzle_temperature"] - 235) / 10
        mean = 6 + 0.5 * heat - 0.3 * (20 * reached + 0.5) ** 2 + of_load.get(run["load"], 0) + random.normal(0, 0.1)
        for _ in range(2):
            coupons[f"{of_coupon['outcome']}{line}"] = "completed"
            coupons[f"{of_coupon['peel']}{line}"] = float(mean + random.normal(0, 0.1))
            line += 1
    if written["round"] == 1:
        checks, of_check, top = sheets["Printer checks"]
        sign = -1 if sense == "positive" else 1
        for row, (at, actual) in enumerate([(-0.1, -0.0835), (0.0, 0.0095)], top):
            told = {"printer": "B", "factor": "z offset", "set": sign * at, "actual": sign * actual, "instrument": "FG-1"}
            for key, value in told.items():
                checks[f"{of_check[key]}{row}"] = value
    book.save(target)
    steps.collect(folder, [], "somebody")


def studied(path, sense):
    """Take the study from plan to a judged confirmation."""
    folder = Folder(path)
    (path / "study.toml").write_text(text_of(sense))
    planning.plan(folder, PlanRequest(kind="central-composite", centre=5, seed=4))
    fill(folder, sense)
    steps.fit(folder, None)
    steps.recommend(folder)
    confirming.confirmed(folder, Asked(loads=6, seed=3))
    fill(folder, sense)
    confirming.confirmed(folder, Asked())
    return folder


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    return [studied(tmp_path_factory.mktemp(sense), sense) for sense in ("negative", "positive")]


def files_of(both, pattern):
    return [json.loads(folder.read(folder.names(pattern)[0])) for folder in both]


def differing(one, other, at=""):
    """Yield where two JSON values differ by more than rounding of the last places."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in {**one, **other}:
            yield from differing(one.get(key), other.get(key), f"{at}.{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for place, pair in enumerate(zip(one, other, strict=True)):
            yield from differing(*pair, f"{at}[{place}]")
    elif isinstance(one, int | float) and isinstance(other, int | float):
        if one != pytest.approx(other, rel=1e-12, abs=1e-12):
            yield at
    elif one != other:
        yield at


def test_targets_are_the_same_and_setpoints_are_reversed(both):
    runs = [OpenStudy(folder).design(OpenStudy(folder).study()).runs for folder in both]
    turned = runs[0]["printer"].isin(TURNED).to_numpy()
    assert 0 < turned.sum() < len(turned)
    assert runs[0].drop(columns="set.z_offset").equals(runs[1].drop(columns="set.z_offset"))
    signs = np.where(turned, -1, 1)
    assert (runs[0]["set.z_offset"].to_numpy() * signs == runs[1]["set.z_offset"].to_numpy()).all()
    unread = runs[1][runs[1]["printer"] == "C"]
    assert (unread["set.z_offset"] == -unread["target.z_offset"]).all()


def test_the_fit_is_the_same(both):
    assert {one.split(".")[1] for one in differing(*files_of(both, "fit.json"))} <= {"inputs"}


def test_the_recommendation_is_the_same_but_for_what_is_set_on_the_turned_printers(both):
    one, other = files_of(both, "recommendation.json")
    assert {row["printer"]: row["turned"] for row in other["printers"]} == {
        "A": {}, "B": {"z_offset": "positive"}, "C": {"z_offset": "positive"},
    }
    assert [row["turned"] for row in one["printers"]] == [{}, {}, {}]
    for mine, yours in zip(one["printers"], other["printers"], strict=True):
        sign = -1 if mine["printer"] in TURNED else 1
        assert mine["setpoints"]["z_offset"] == sign * yours["setpoints"]["z_offset"] != 0
        assert mine["reaches"] == yours["reaches"]
        del mine["setpoints"], yours["setpoints"], mine["turned"], yours["turned"]
    assert one["fleet"]["setpoints"] == other["fleet"]["setpoints"]
    assert other["fleet"].pop("turned") == {"z_offset": ["B", "C"]}
    assert one["fleet"].pop("turned") == {}
    assert {each.split(".")[1] for each in differing(one, other)} <= {"inputs"}


def test_the_confirmation_is_judged_alike(both):
    for pattern in ("confirmation-1.json", "judgement-1.json"):
        one, other = files_of(both, pattern)
        away = [each for each in differing(one, other) if ".inputs" not in each and "digest" not in each]
        assert all("setpoints.z_offset" in each or "turned" in each for each in away), away


def test_each_place_that_shows_a_value_says_whose_sense_it_is_in(both):
    opened = OpenStudy(both[1])
    study = opened.study()
    design, record = opened.design(study), opened.record(study)
    said = "On printers B and C more positive is closer"
    lines = calibrated.lines_of(study, record.checks)
    tables = (protocol.factor_rows(study), protocol.plan_table(study, design), protocol.check_rows(study, record))
    for table in (*tables, printers.lines_table(study, lines)):
        assert said in table.note, table.title
    steps_told = " ".join(line.text for line in instructions(study, (), ()))
    assert "Mind the sign. Z offset: more negative is closer to the plate (printer A). " in steps_told
    assert "more positive is closer to the plate (printer B, C). What is set, used or read there has this sign" in steps_told
    covered = {row[0]: row[-1] for row in printers.lines_table(study, lines).rows}
    assert covered["B"] == "−0.1 to 0.16"  # as printer B shows it
    assert said not in protocol.factor_rows(OpenStudy(both[0]).study()).note


def test_screens_say_it_on_card_and_table(both, doe):
    status, shown, _ = doe("recommend", "--study", both[1].path)
    assert status == 0
    said = " ".join(shown.split())
    assert "Z offset: on this printer more positive is closer to the plate" in said
    assert "other sign on B and C" in said
