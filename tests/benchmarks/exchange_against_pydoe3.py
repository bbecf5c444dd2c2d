"""
Our search against the five exchange methods of pyDOE3's ``optimal_design``: D-efficiency and time.

Run it as ``python -m tests.benchmarks.exchange_against_pydoe3 [numbers of prints per case] [largest number of factors]``:
3 takes p + 2, the middle and 2p prints, 0 takes all. Full quadratic in 3, 4 and 5 factors, every combination of 3 or 5
levels a candidate, no loads. Times are of the processor, on one core: OPENBLAS_NUM_THREADS=1. Theirs is that of the
fastest method that reached the best of the five; where none finds a design that can estimate the model it is not
counted. With 5 factors and 5 levels their methods take minutes each.
"""

import sys
import time
from itertools import product

import numpy as np
from pyDOE3.doe_optimal import optimal_design

from doe.numerics import criteria
from doe.numerics.search import Task, search
from doe.numerics.terms import model_matrix, standard_terms

METHODS = ("sequential", "simple_exchange", "fedorov", "modified_fedorov", "detmax")
STARTS = 100
SAME = 1e-9  # percent


def timed(make):
    """Return what a call gives and the processor seconds it took."""
    begun = time.process_time()
    made = make()
    return made, time.process_time() - begun


def theirs(grid, factors, runs, efficiency):
    """Return the best D-efficiency of the five methods, percent, and the seconds and name of the fastest that reached it."""
    candidates = np.array(list(product(grid, repeat=factors)))
    tried = []
    for method in METHODS:
        (design, _), seconds = timed(lambda method=method: optimal_design(candidates, runs, 2, "D", method))
        tried.append((efficiency(design), seconds, method))
    best = max(reached for reached, _, _ in tried)
    return best, *min((seconds, method) for reached, seconds, method in tried if reached >= best - SAME)


def compare(factors, levels, runs):
    """Print one case, and return our and their D-efficiency in percent, and their time over ours."""
    terms, kinds, grid = standard_terms("quadratic", (0,) * factors), (0,) * factors, np.linspace(-1, 1, levels)
    efficiency = lambda design: criteria.d_efficiency(model_matrix(design, terms, kinds))  # noqa: E731
    task = Task(terms, kinds, runs, (grid,) * factors, criterion="d")
    found, seconds = timed(lambda: search(task, starts=STARTS))
    best, their_seconds, method = theirs(grid, factors, runs, efficiency)
    own = efficiency(found.settings)
    print(
        f"{factors} factors, {levels} levels, {runs} prints: ours {own:.4f} % in {seconds:.3f} s, "
        f"theirs {best:.4f} % in {their_seconds:.3f} s ({method}); {their_seconds / seconds:.1f} times",
        flush=True,
    )
    return own, best, their_seconds / seconds


def main(numbers=3, most=5):
    """Print every case, how often ours was at least as good, and the ratios of times."""
    results = []
    for factors, levels in product(range(3, most + 1), (3, 5)):
        columns = len(standard_terms("quadratic", (0,) * factors))
        runs = np.arange(columns + 2, 2 * columns + 1)
        if numbers:
            runs = np.unique(np.linspace(runs[0], runs[-1], numbers).round().astype(int))
        results += [compare(factors, levels, int(n)) for n in runs]
    own, best, times = np.array(results).T
    times = times[best > 0]
    print(f"{len(results)} cases, {STARTS} starts: ours at least as good in {(own >= best - SAME).sum()}, better in "
          f"{(own > best + SAME).sum()}; none of theirs estimates the model in {(best == 0).sum()}")
    print(f"their time over ours: median {np.median(times):.1f}, {times.min():.1f} to {times.max():.1f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
