"""A small re-run of the coverage study: its parts against the fit of single studies, and its figures against the table."""

import csv

import numpy as np
import pytest

from doe.numerics.batched import share_plan
from doe.numerics.reml import fit_reml, prediction
from tests.studies import coverage
from tests.studies.coverage import Cell

STUDIES = 400


@pytest.fixture(scope="module")
def plan():
    return coverage.planned(6)


@pytest.fixture(scope="module")
def table():
    rows = [line for line in coverage.FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(rows))


def recorded(table, cell, method):
    """Return the percentages of one line of the table, in the order of the targets."""
    wanted = [str(cell.loads), "10-20 %" if cell.lost else "none", str(cell.coupons), str(cell.ratio), method]
    keys = ["loads", "lost prints", "coupons", "ratio", "method"]
    (line,) = [row for row in table if [row[key] for key in keys] == wanted]
    return np.array([float(line[f"{target}, held %"]) for target in coverage.TARGETS])


def test_print_means_say_what_their_coupons_say(plan):
    # Equal counts: the fit of coupons with a load and a print component is the batched fit of the means.
    results = coverage.simulate(plan, Cell(6, False, 5, 1.0), 12, np.random.default_rng(3))
    of_means, of_coupons = coverage.kenward_roger(results)[0], coverage.kenward_roger_of_coupons(results)
    assert (of_means[0] == of_coupons[0]).all()
    assert of_means[1] == pytest.approx(of_coupons[1], rel=1e-5)
    assert (of_means[2] == of_coupons[2]).all()


def test_new_prints_have_the_degrees_of_freedom_of_a_single_fit(plan):
    results = coverage.simulate(plan, Cell(6, True, 1, 1.0), 8, np.random.default_rng(4))
    shared = share_plan(results.X, results.load)
    for y in results.y:
        fit = fit_reml(y, results.X, [results.load])
        single = prediction(fit, coverage.FIXED, [1, 1]).dof[0]
        assert coverage.new_print(shared, fit.variances[:1] / fit.variances[1])[0] == pytest.approx(single, rel=1e-7)


@pytest.mark.parametrize("ratio", coverage.RATIOS)
def test_a_small_run_agrees_with_the_table(plan, table, ratio):
    cell = Cell(6, False, 1, ratio)
    results = coverage.simulate(plan, cell, STUDIES, np.random.default_rng(17))
    found = {"Kenward-Roger": coverage.kenward_roger(results)[0], "least squares on coupons": coverage.least_squares(results)}
    for method, (holds, *_) in found.items():
        wanted = recorded(table, cell, method) / 100
        error = np.sqrt(np.maximum(wanted * (1 - wanted), 0.01) / STUDIES)
        assert np.abs(holds.mean(axis=0) - wanted).max() < 4 * error.max()


def test_the_posterior_agrees_with_the_table(table):
    cell = Cell(5, False, 1, 1.0)
    results = coverage.simulate(coverage.planned(5), cell, 60, np.random.default_rng(18))
    holds, _ = coverage.posterior(results, 2.0)
    assert np.abs(holds.mean(axis=0) - recorded(table, cell, "posterior, scale 2") / 100).max() < 4 * np.sqrt(0.05 / 60)
