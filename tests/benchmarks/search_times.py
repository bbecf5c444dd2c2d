"""
How long the search takes for the default plans, and what it finds.

Run it as ``python -m tests.benchmarks.search_times [repeats]``, on one core: OPENBLAS_NUM_THREADS=1. Full quadratic, the
last factor constant within loads, 21 levels, three replicate pairs, 100 starts, the ten best polished; to take at most
1 s of the processor for 30 prints of 4 factors and 10 s for 60 prints of 6.
"""

import sys
import time

import numpy as np

from doe.numerics.search import Task, even_loads, replicate_pairs, search
from doe.numerics.terms import standard_terms

CASES = ((30, 6, 4, 1.0), (36, 9, 4, None), (48, 8, 4, None), (60, 12, 6, 10.0))
"""Prints, loads, factors, and the most seconds that are allowed."""


def main(repeats=3):
    """Print the least and the median time of each case."""
    for runs, loads, factors, most in CASES:
        load, levels = even_loads(runs, loads), (0,) * factors
        grids = (np.linspace(-1, 1, 21),) * factors
        pairs = replicate_pairs(load, 3)
        task = Task(standard_terms("quadratic", levels), levels, runs, grids, load, (factors - 1,), pairs=pairs)
        seconds = []
        for _ in range(repeats):
            begun = time.process_time()
            found = search(task)
            seconds.append(time.process_time() - begun)
        print(
            f"{runs} prints, {loads} loads, {factors} factors: least {min(seconds):.2f} s, median {np.median(seconds):.2f} s"
            f"{'' if most is None else f' (at most {most:g})'}; I {found.average_variance:.4f}, log|M| {found.log_d:.4f}",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
