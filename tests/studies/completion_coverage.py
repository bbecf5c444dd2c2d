"""
How often nominal 95 % intervals and lower bounds hold the true chance that a print completes.

Run it as ``python -m tests.studies.completion_coverage [studies] [seed]``; it writes ``completion_coverage.csv``. Plans of four
factors as in ``coverage``, quadratic truth: slopes normal about zero with standard deviation 1 logit, second-order terms with
half of it, the intercept such that the stated share of coupons fails on average over the plan. Lines with no effects of the
settings have slopes of zero. Loads differ by the stated standard deviation in logits; with five coupons, prints differ by
another 1.5, so that coupons of one print fall together. The truth is the chance on a print and load taken at random.

Targets: a fixed setting; the setting that another response chooses (the maximum of a quadratic that knows nothing of failures);
the setting with the greatest estimated chance, without and with the allowance for that choice. For each the two-sided
interval and the one-sided lower bound. The naive method is ordinary logistic regression of coupons, each a trial of its own,
main effects, Wald's intervals, Newton's steps stopped after 25.
"""

import csv
import functools
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from itertools import product
from pathlib import Path

import numpy as np
from scipy import optimize, special, stats

from doe.model import completing
from doe.numerics.terms import model_matrix
from tests.studies.coverage import FIXED, LEVELS, PRINTS, TERMS, planned, truths

TARGETS = ("fixed", "chosen for strength", "chosen for printing", "the same, for the choice")
LOADS = tuple(count for count in PRINTS if count > 4)
LOAD_SD, SHARES, COUPONS = (0.0, 0.7, 1.4), (0.03, 0.10, 0.30), (1, 5)
PRINT_SD = 1.5  # logits, with several coupons
IS_MAIN = np.array([len(term) < 2 for term in TERMS])
GRID = model_matrix(np.array(list(product(np.linspace(-1, 1, 5), repeat=4))), TERMS, LEVELS)
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(30)
WEIGHTS = WEIGHTS / WEIGHTS.sum()
FILE = Path(__file__).with_suffix(".csv")


@dataclass(frozen=True)
class Cell:
    loads: int
    load_sd: float
    coupons: int
    share: float
    slope_sd: float = 1.0


plan_of = functools.cache(planned)


def on_average(logits, sd):
    """Return the chance on a print and load taken at random."""
    return special.expit(logits[..., None] + sd * NODES) @ WEIGHTS


def simulate(plan, cell, generator):
    """Return true coefficients, the standard deviation about them, and how many coupons of each print completed."""
    X, load = plan
    print_sd = PRINT_SD if cell.coupons > 1 else 0.0
    sd = np.hypot(cell.load_sd, print_sd)
    beta = generator.normal(size=len(TERMS)) * [0.0 if not term else cell.slope_sd / len(term) for term in TERMS]
    centre = TERMS.index(())
    beta[centre] = optimize.brentq(lambda a: on_average(X @ beta + a, sd).mean() - 1 + cell.share, -40, 60)
    shift = (cell.load_sd * generator.normal(size=load.max() + 1))[load] + print_sd * generator.normal(size=len(X))
    return beta, sd, generator.binomial(cell.coupons, special.expit(X @ beta + shift))


def ours(plan, completed, coupons, places):
    """Return estimates and limits, shape (m, 4), at the given rows and at the best of the grid, twice, and its row."""
    X, load = plan
    model = completing.fit_tried(completed.astype(float), np.full(len(X), float(coupons)), X, IS_MAIN, load)
    best = GRID[best_of(GRID[:, model.kept] @ model.fit.estimates)] if model.fit else places[-1]
    plain = completing.chances(model, np.vstack([places, best]), 0.95)
    return np.vstack([plain, completing.chances(model, best[None], 0.95, chosen=True)]), best, model.method


def best_of(values):
    return int(np.asarray(values).argmax())


def naive(plan, completed, coupons, places):
    """Return the same for ordinary logistic regression of coupons."""
    X = plan[0][:, IS_MAIN]
    beta = np.zeros(X.shape[1])
    for _ in range(25):
        share = special.expit(X @ beta)
        weights = np.maximum(coupons * share * (1 - share), 1e-10)
        covariance = np.linalg.inv((X.T * weights) @ X)
        beta = beta + np.clip(covariance @ (X.T @ (completed - coupons * share)), -5, 5)
    best = GRID[best_of(GRID[:, IS_MAIN] @ beta)]
    rows = np.vstack([places, best, best])[:, IS_MAIN]
    se = np.sqrt(np.sum(rows @ covariance * rows, axis=1))
    z = stats.norm.ppf([0.5, 0.025, 0.975, 0.05])
    return special.expit((rows @ beta)[:, None] + se[:, None] * z), best, "naive"


def one_study(plan, cell, generator):
    """Return, per method, which intervals and bounds hold the truth, and the bounds: shape (3, targets)."""
    beta, sd, completed = simulate(plan, cell, generator)
    strength = GRID[best_of(GRID @ truths(1, generator)[0])]
    places = np.vstack([FIXED, strength])
    found = {}
    for name, method in (("ours", ours), ("naive", naive)):
        limits, best, how = method(plan, completed, cell.coupons, places)
        truth = on_average(np.vstack([places, best, best]) @ beta, sd)
        _, low, high, lower = limits.T
        found[name] = np.array([(low <= truth) & (truth <= high), lower <= truth, lower]), how
    return found


def line(cell, name, results):
    """Return one line of the table."""
    shown = np.mean([one[name][0] for one in results], axis=0)
    bounds = np.median([one[name][0][2] for one in results], axis=0)
    ways = [one[name][1] for one in results]
    used = [f"{100 * ways.count(way) / len(ways):.0f}" for way in (completing.OVERALL, completing.MAIN, completing.DECLARED)]
    return [
        cell.loads, cell.load_sd, cell.coupons, cell.share, cell.slope_sd, name, len(results),
        *(f"{100 * share:.1f}" for share in (*shown[0], *shown[1])), *(f"{bound:.2f}" for bound in bounds),
        *(used if name == "ours" else ["", "", ""]),
    ]  # fmt: skip


def one_cell(cell, studies, seed):
    """Return the lines of one cell."""
    plan, generator = plan_of(cell.loads), np.random.default_rng(seed)
    results = [one_study(plan, cell, generator) for _ in range(studies)]
    return [line(cell, name, results) for name in ("ours", "naive")]


def header():
    figures = [f"{target}, {figure}" for figure in ("interval held %", "bound held %", "median bound") for target in TARGETS]
    return [
        "loads", "load sd", "coupons", "failing share", "slope sd", "method", "studies", *figures,
        "no model %", "main effects %", "declared terms %",
    ]  # fmt: skip


def cells():
    """Return the cells of the table: all with effects, and those of six loads and one coupon without any."""
    every = [Cell(*one) for one in product(LOADS, LOAD_SD, COUPONS, SHARES)]
    return every + [Cell(6, sd, 1, share, slope_sd=0.0) for sd, share in product(LOAD_SD, SHARES)]


def main(studies=100, seed=1):
    """Write the table."""
    with ProcessPoolExecutor(2) as executor:
        tasks = [executor.submit(one_cell, cell, studies, [seed, n]) for n, cell in enumerate(cells())]
        lines = [one for task in tasks for one in task.result()]
    with FILE.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# python -m tests.studies.completion_coverage {studies} {seed}, {date.today().isoformat()}\n")
        error = 100 * np.sqrt(0.0475 / studies)
        file.write(f"# nominal 95 %; Monte Carlo standard error of 95 %: {error:.1f}\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header())
        writer.writerows(lines)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
