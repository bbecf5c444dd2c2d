"""
How much faster many studies are fitted together than one by one, in one run.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.batched_against_single [studies] [singles]``. 30 prints in 6
loads, full quadratic in four factors, one of them fixed in the load; both ways give the Kenward-Roger intervals of all 15
coefficients.
"""

import sys
import time

import numpy as np
from scipy import stats

from doe.numerics.batched import fit_batch, share_plan
from doe.numerics.intervals import mean_interval
from doe.numerics.reml import contrast, fit_reml
from doe.numerics.terms import model_matrix, standard_terms
from tests.numerics.batches import batch_contrasts


def plan(generator):
    """Return the model matrix and the loads."""
    load = np.repeat(np.arange(6), 5)
    settings = generator.choice([-1.0, 0.0, 1.0], (30, 4))
    settings[:, 3] = np.array([-1.0, 0.0, 1.0, -1.0, 0.0, 1.0])[load]
    return model_matrix(settings, standard_terms("quadratic", (0,) * 4), (0,) * 4), load


def together(X, load, values):
    """Return the limits of every coefficient of every study, shape (R, p, 2)."""
    found = batch_contrasts(fit_batch(share_plan(X, load), values), np.eye(X.shape[1]))
    return mean_interval(found.estimates, found.se, found.dof)


def one_by_one(X, load, values):
    """Return the same by the fit of single studies."""
    limits = []
    for y in values:
        found = contrast(fit_reml(y, X, [load]), np.eye(X.shape[1]))
        limits.append(mean_interval(found.estimates, found.se, found.dof))
    return np.array(limits)


def seconds(work):
    """Return the shortest of three times, and what was made."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        made = work()
        times.append(time.perf_counter() - start)
    return min(times), made


def main(studies=10_000, singles=200):
    """Print both times, their ratio per study and the largest difference of a limit."""
    generator = np.random.default_rng(1)
    X, load = plan(generator)
    values = generator.normal(size=(studies, 30)) + generator.normal(size=(studies, 6))[:, load]
    stats.t.ppf(0.975, [1.5])  # what is loaded at its first use
    batched, limits = seconds(lambda: together(X, load, values))
    single, alone = seconds(lambda: one_by_one(X, load, values[:singles]))
    width = alone[:, :, 1] - alone[:, :, 0]
    difference = np.abs(limits[:singles] - alone).max(axis=2) / width
    print(f"together: {studies} studies in {batched:.3f} s")
    print(f"one by one: {singles} studies in {single:.3f} s, {1000 * single / singles:.2f} ms a study")
    print(f"time ratio per study: {(single / singles) / (batched / studies):.0f}")
    print(f"largest difference of a limit, in widths of its interval: {difference.max():.1e}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
