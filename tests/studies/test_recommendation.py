"""A small re-run of the study of recommendations: its truth against normal theory, its figures against the table."""

import csv
import itertools

import numpy as np
import pytest
from scipy import stats

from doe.model.fit import fit_model
from doe.model.request import FitRequest
from tests.studies import recommendation
from tests.studies.recommendation import PART, SETPOINT_SD, TERMS, Kind, Truth

PLAN = (30, 6)
STUDIES = 6


@pytest.fixture(scope="module")
def table():
    lines = recommendation.FILE.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def of(table, *key):
    """Return the line of a plan and its labels."""
    names = ("prints", "loads", *recommendation.LABELS)
    (found,) = [row for row in table if [row[name] for name in names] == [str(part) for part in key]]
    return found


def constant(means, ratios):
    """Return a truth in which no factor does anything, and 0 is required."""
    coefficients = np.zeros((len(means), len(TERMS)))
    coefficients[:, TERMS.index(())] = means
    return Truth(coefficients, np.array(ratios), np.zeros(len(means)))


@pytest.mark.parametrize("ratios", [(0.4,), (0.0, 3.0), (1.0, 0.2, 2.5)])
def test_true_conformance_is_a_multivariate_normal_probability(ratios):
    means = np.array([2.0, 1.5, 2.5])[: len(ratios)]
    truth = constant(means, ratios)
    shared = recommendation.CORRELATION * (np.sqrt(np.outer(ratios, ratios)) + 2 * PART)
    np.fill_diagonal(shared, truth.sd**2)
    wanted = stats.multivariate_normal(
        np.zeros(len(ratios)), shared, abseps=1e-7, releps=1e-7, maxpts=10**6, seed=1
    ).cdf(means)
    assert recommendation.true_conformance(truth, np.zeros(4)) == pytest.approx(wanted, abs=2e-5)


def test_scatter_of_setpoints_adds_to_the_variance_of_a_plane():
    truth, slopes = constant([2.0], [1.0]), np.array([1.0, -2.0, 0.5, 1.5])
    truth.coefficients[0, [TERMS.index((factor,)) for factor in range(4)]] = slopes
    x = np.array([0.4, 0.2, -0.5, 0.25])
    wanted = stats.norm.cdf((2 + slopes @ x) / np.sqrt(truth.sd[0] ** 2 + (slopes**2) @ SETPOINT_SD**2))
    assert recommendation.true_conformance(truth, x) == pytest.approx(wanted, abs=1e-5)


def test_deviations_have_the_stated_variances_and_correlation():
    ratios, load = np.array([3.0, 0.5]), np.repeat(np.arange(4000), 2)
    made = recommendation.deviations(ratios, load, np.random.default_rng(2))
    first, second = made.mean(axis=1)[::2], made.mean(axis=1)[1::2]
    assert (first - second).var(axis=0) / 2 == pytest.approx(np.ones(2), abs=0.1)
    assert np.mean(first * second, axis=0) == pytest.approx(ratios, rel=0.12)
    assert np.corrcoef((made[:, 0] - made[:, 1]).T)[0, 1] == pytest.approx(recommendation.CORRELATION, abs=0.05)


@pytest.mark.parametrize("kind", [Kind(1, False, "below 1"), Kind(2, True, "above 1"), Kind(3, False, "dominant")])
def test_truths_are_of_their_kind(kind):
    truth = recommendation.make_truth(kind, np.random.default_rng(4))
    assert 0.85 <= recommendation.best_attainable(truth) <= 0.995
    assert truth.coefficients[:, len(recommendation.QUADRATIC) :].any() == kind.cubic
    assert len(truth.ratios) == kind.responses
    largest = truth.ratios.max()
    assert {"below 1": largest < 1, "above 1": 1 <= largest <= 3, "dominant": truth.ratios.sum() == 3}[kind.loads]


@pytest.mark.parametrize("plan", recommendation.PLANS)
def test_one_factor_at_a_time_has_the_same_prints_and_loads(plan):
    tried = recommendation.phases(*plan, np.random.default_rng(5))
    assert sorted(factor for factor, *_ in tried) == [0, 1, 2, 3]
    used = np.concatenate([load for *_, load in tried])
    assert len(used) == plan[0]
    assert set(used) == set(range(plan[1]))
    for factor, values, load in tried:
        if factor == recommendation.LOAD_FACTOR:
            others = np.concatenate([part for other, _, part in tried if other != factor])
            assert not set(load) & set(others)
            assert all(len(set(values[load == one])) == 1 for one in load)


def test_the_fit_has_the_values_that_were_made():
    design, _, load = recommendation.planned(*PLAN)
    values = recommendation.deviations(np.array([1.0, 0.0]), load, np.random.default_rng(6))
    study = recommendation.study_of([0.0, 0.0])
    fitted = fit_model(study, design, recommendation.record_of(study, design, values), FitRequest(examine=False))[1]
    for place, one in enumerate(fitted):
        assert one.data.means == pytest.approx(values[..., place].mean(axis=1))
        assert one.data.within_dof == 4 * PLAN[0]
        assert (one.data.load == load).all()


@pytest.mark.slow
def test_a_small_run_agrees_with_the_table(table):
    some = itertools.islice(recommendation.kinds(STUDIES), STUDIES)
    found = [recommendation.one_study(PLAN, kind, [17, n]) for n, kind in enumerate(some)]
    row = of(table, *PLAN, "any", "any", "any", "any")
    best = np.array([one.best for one in found])
    held = np.mean([one.recommended.true >= one.bound for one in found])
    wanted = float(row["bound held %"]) / 100
    assert held > wanted - 4 * np.sqrt(0.05 * 0.95 / STUDIES)
    practices = {"recommended": "", "one_at_a_time": "one at a time, ", "least_squares": "least squares, "}
    for practice, prefix in practices.items():
        ratio = np.array([getattr(one, practice).true for one in found]) / best
        assert (ratio <= 1 + 1e-6).all()
        error = max(ratio.std(ddof=1), 0.03) / np.sqrt(STUDIES)
        assert ratio.mean() == pytest.approx(float(row[f"{prefix}mean ratio to best"]), abs=4 * error)
