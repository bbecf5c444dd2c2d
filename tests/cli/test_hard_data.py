"""Records that cannot support the declared model: a verdict with cause and remedy, a partial answer, no traceback."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.design import check
from doe.design.read import read_plan
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.record.read_tables import record_files
from doe.study.read import parse_study
from tests.cli.conftest import TWO_FACTORS
from tests.cli.test_extend import planned
from tests.records import simulated

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
coupons = 3
at_least = 20.0

[[responses]]
name = "bed_grade"
kind = "graded"
grades = [0, 1, 2, 3, 4, 5]
per = "print"
at_least = 4

[[responses]]
name = "tight"
kind = "pass_fail"
per = "print"

[model]
terms = "quadratic"

[[printers]]
name = "A"

[[printers]]
name = "B"

[budget]
prints = 20
loads = 6
"""


def constant(prints, coupons, X):
    coupons["z_strength"] = 30.0


def all_failed(prints, coupons, X):
    prints["outcome"] = "detached"
    coupons["outcome"], coupons["z_strength"] = "detached", np.nan
    prints["bed_grade"], prints["tight"] = np.nan, ""


def one_grade(prints, coupons, X):
    prints["bed_grade"], prints["tight"] = 5.0, "pass"


def never_varied(prints, coupons, X):
    prints["used.nozzle_temperature"], prints["deviation"] = 270.0, "off plan"


def all_limits(prints, coupons, X):
    coupons["outcome"] = "no break"


def lose(prints, coupons, lost):
    prints.loc[lost, "outcome"] = "lost"
    mine = coupons["print"].isin(prints.loc[lost, "print"])
    coupons.loc[mine, "z_strength"], coupons.loc[mine, "outcome"] = np.nan, "lost"
    prints.loc[lost, "bed_grade"], prints.loc[lost, "tight"] = np.nan, ""


def as_many_as_coefficients(prints, coupons, X):
    kept = []
    for row in range(len(X)):
        if np.linalg.matrix_rank(X[[*kept, row]]) == len(kept) + 1:
            kept.append(row)
    lose(prints, coupons, prints.index.difference(kept))


def one_print(prints, coupons, X):
    lose(prints, coupons, prints.index[1:])


def huge_and_tiny(prints, coupons, X):
    coupons["z_strength"] *= 1e12


def one_wild_value(prints, coupons, X):
    coupons.loc[0, "z_strength"] = 3e4


CASES = {
    constant: "no variation",
    all_failed: "no values",
    one_grade: "no spread",
    never_varied: "model not estimable",
    all_limits: "only limits",
    as_many_as_coefficients: "no error degree of freedom",
    one_print: "model not estimable",
    huge_and_tiny: None,
    one_wild_value: "coupon out of line",
}


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """Return a planned study, made once."""
    return planned(tmp_path_factory.mktemp("planned") / "clip", STUDY.encode(), PlanRequest(seed=3))


@pytest.fixture
def folder(once, tmp_path):
    return Path(shutil.copytree(once.path, tmp_path / "clip"))


def spoil(path, change):
    study = parse_study((path / "study.toml").read_text())
    design = read_plan((path / "plan.csv").read_bytes(), study)
    record = simulated(study, design)
    prints, coupons = record.prints.copy(), record.coupons.copy()
    generator = np.random.default_rng(1)
    prints["bed_grade"] = generator.integers(1, 6, len(prints)).astype(float)
    prints["tight"] = np.where(generator.random(len(prints)) < 0.7, "pass", "fail")
    change(prints, coupons, check.matrix(study, design.runs)[0])
    files = record_files(replace(record, prints=prints, coupons=coupons))
    Folder(path).commit("collect", files, reads={}, version="test")


def said(data):
    of_responses = [one["verdicts"] for one in (*data["responses"], *data["judged"])]
    return {one["name"]: one for verdicts in (data["verdicts"], *of_responses) for one in verdicts}


QUICK = ("all_failed", "never_varied", "all_limits", "one_wild_value")
EACH = [pytest.param(one, id=one.__name__, marks=() if one.__name__ in QUICK else pytest.mark.slow) for one in CASES]


@pytest.mark.parametrize("change", EACH)
def test_hard_data_get_a_verdict_with_cause_and_remedy(folder, doe, change):
    spoil(folder, change)
    status, out, err = doe("fit", "--study", folder, "--json")
    assert (status, err) == (0, "")
    found = said(json.loads(out))
    if CASES[change]:
        name = next(one for one in found if one.startswith(CASES[change]))
        assert len(found[name]["cause"]) > 20 and len(found[name]["next_step"]) > 20
    status, out, err = doe("fit", "--study", folder)
    assert (status, err) == (0, "")
    for command in ("recommend", "report"):
        status, _, err = doe(command, "--study", folder)
        assert status in (0, 3), err
        assert "Traceback" not in err and "Warning" not in err
    assert "nan" not in out.split() and "inf" not in out.split()


def test_what_these_prints_can_tell_is_offered_and_works(folder, doe):
    spoil(folder, never_varied)
    _, out, _ = doe("fit", "--study", folder, "--json")
    step = said(json.loads(out))["model not estimable"]["next_step"]
    terms = step.split('--terms "')[1].split('"')[0]
    assert "nozzle_temperature" not in terms and "bed_temperature" in terms
    status, out, err = doe("fit", "--terms", terms, "--study", folder, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out)["responses"][0]["coefficients"][1]["low"] is not None


def test_where_every_print_failed_nothing_sends_to_a_step_that_refuses(folder, doe):
    spoil(folder, all_failed)
    _, out, _ = doe("fit", "--study", folder)
    assert "Next: no measured response has a model" in out
    _, out, _ = doe("status", "--study", folder)
    assert "Next: no measured response has a model" in out


def test_what_is_wrong_with_the_values_is_said_beside_the_recommendation(folder, doe):
    spoil(folder, one_wild_value)
    doe("fit", "--study", folder)
    status, out, err = doe("recommend", "--study", folder, "--json")
    assert (status, err) == (0, "")
    data = json.loads(out)
    assert "coupon out of line" in {one["name"] for one in data["verdicts"]}
    assert data["next"].startswith("check the record: z strength: coupon out of line")
