"""A small re-run of the study of confirmations: its parts against single fits, its figures against the table and the promise."""

import csv

import numpy as np
import pytest

from doe.numerics.confirming import NewPrints, mean_ahead
from tests.studies import confirmation, coverage


@pytest.fixture(scope="module")
def table():
    lines = confirmation.FILE.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_limits_of_many_studies_are_those_of_single_ones():
    results = confirmation.simulate(coverage.planned(6), 1.0, 1.0, 8, np.random.default_rng(3))
    many = confirmation.many_limits(results, confirmation.batch(results), 4, allowance=True)
    known = confirmation.one_by_one(results)
    for row, one in enumerate(known.says):
        ahead = mean_ahead(one, NewPrints((0,) * 4, (1,) * 4), confirmation.LEVEL)
        assert tuple(many.mean[row]) == pytest.approx((ahead.low, ahead.high), rel=1e-6)
    few = confirmation.few_limits(results, known, 4, allowance=True)
    assert few.each == pytest.approx(many.each, rel=1e-6)
    assert few.true == pytest.approx(many.true)


@pytest.mark.parametrize("truth", ["quadratic", "no effects"])
def test_a_small_run_agrees_with_the_table(table, truth):
    results = confirmation.simulate(
        coverage.planned(6), 1.0, float(truth == "quadratic"), 600, np.random.default_rng(17)
    )
    limits = confirmation.many_limits(results, confirmation.batch(results), 6, allowance=True)
    found = confirmation.shares(limits, 6, results.sd, np.random.default_rng(18))
    keys = ("loads", "ratio", "truth", "new loads", "allowance for the choice")
    (line,) = [row for row in table if [row[key] for key in keys] == ["6", "1.0", truth, "6", "yes"]]
    for share, column in zip(found, confirmation.HEADER[7:12], strict=True):
        wanted = float(line[column]) / 100
        assert abs(share - wanted) < 4 * np.sqrt(max(wanted * (1 - wanted), 0.01) / 600)


def test_an_unchanged_material_is_seldom_called_changed(table):
    ours = [row for row in table if row["allowance for the choice"] == "yes"]
    assert len(ours) == len(confirmation.LOADS) * len(confirmation.RATIOS) * 2 * len(confirmation.NEW)
    for row in ours:
        share, studies = float(row["not confirmed %"]) / 100, int(row["studies"])
        assert share <= 0.07 + 2.5 * np.sqrt(0.07 * 0.93 / studies), row
