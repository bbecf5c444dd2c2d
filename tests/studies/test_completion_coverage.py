"""A small re-run of the study of completion: its truth by simulation, and its figures against the table."""

import csv

import numpy as np
import pytest
from scipy import special

from doe.model.completing import MAIN, OVERALL
from tests.studies import completion_coverage as study
from tests.studies.completion_coverage import Cell

STUDIES = 20


@pytest.fixture(scope="module")
def plan():
    return study.planned(6)


@pytest.fixture(scope="module")
def table():
    rows = [line for line in study.FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(rows))


@pytest.mark.parametrize("cell", [Cell(6, 1.4, 5, 0.1), Cell(6, 0.0, 1, 0.3)])
def test_as_many_coupons_fail_as_the_cell_says(plan, cell):
    generator = np.random.default_rng(1)
    seen = np.mean([study.simulate(plan, cell, generator)[2].mean() for _ in range(200)]) / cell.coupons
    assert 1 - seen == pytest.approx(cell.share, abs=0.02)


def test_the_truth_is_the_chance_on_a_load_taken_at_random():
    drawn = special.expit(1.0 + 1.4 * np.random.default_rng(2).normal(size=200_000)).mean()
    assert study.on_average(np.array([1.0]), 1.4)[0] == pytest.approx(drawn, abs=0.003)


@pytest.mark.parametrize("cell", [Cell(6, 0.7, 1, 0.03), Cell(6, 0.7, 5, 0.1)])
@pytest.mark.parametrize("name", ["ours", "naive"])
def test_a_small_run_agrees_with_the_table(plan, table, cell, name):
    generator = np.random.default_rng(17)
    whole = [study.one_study(plan, cell, generator) for _ in range(STUDIES)]
    results = [one[name] for one in whole]
    key = [str(part) for part in study.line(cell, name, whole)[:6]]
    (line,) = [row for row in table if [row[column] for column in study.header()[:6]] == key]
    figures = study.header()[7 : 7 + 2 * len(study.TARGETS)]
    wanted = np.array([float(line[figure]) for figure in figures])
    seen = np.mean([one[0][:2].ravel() for one in results], axis=0)
    share = np.clip(wanted / 100, 0.05, 0.95)
    assert (np.abs(seen - wanted / 100) < 4 * np.sqrt(share * (1 - share) / STUDIES)).all()
    if name == "ours":
        assert {one[1] for one in results} <= {OVERALL, MAIN}
