"""
How long the search takes for the default plans, what it finds, and what large tasks lose by getting fewer starts.

Run it as ``python -m tests.benchmarks.search_times [repeats [long]]``, on one core: OPENBLAS_NUM_THREADS=1. Full quadratic,
the last factor constant within loads, 21 levels (of 12 factors every other has 11), three replicate pairs, up to 100 starts
and ten polished; to take at most 1 s of the processor for 30 prints of 4 factors, 10 s for 60 prints of 6 and 20 s for 120
prints of 12. Each repeat has a seed of its own. With ``long``, each case whose starts were cut is searched again with ten
times as many asked for.
"""

import sys
import time

import numpy as np

from doe.numerics.search import Task, even_loads, replicate_pairs, search
from doe.numerics.terms import standard_terms

CASES = (
    (30, 6, 4, 1.0), (36, 9, 4, None), (48, 8, 4, None), (60, 12, 6, 10.0), (60, 12, 8, None), (80, 16, 8, None),
    (120, 20, 12, 20.0),
)
"""Prints, loads, factors, and the most seconds that are allowed."""
STARTS, POLISH = 100, 10


def task_of(runs, loads, factors):
    """Return the task of one case."""
    load, levels = even_loads(runs, loads), (0,) * factors
    grids = tuple(np.linspace(-1, 1, 11 if factors == 12 and place % 2 == 0 else 21) for place in range(factors))
    pairs = replicate_pairs(load, 3)
    return Task(standard_terms("quadratic", levels), levels, runs, grids, load, (factors - 1,), pairs=pairs)


def timed(task, starts, polish, seed):
    """Return what was found, and the processor's seconds."""
    begun = time.process_time()
    found = search(task, starts=starts, seed=seed, polish=polish)
    return found, time.process_time() - begun


def main(repeats=3, *long):
    """Print the least and the median time of each case, and the range of what was found."""
    repeats = int(repeats)
    for runs, loads, factors, most in CASES:
        task = task_of(runs, loads, factors)
        all_found, seconds = zip(*(timed(task, STARTS, POLISH, seed) for seed in range(repeats)), strict=True)
        scores, average = [found.score for found in all_found], [found.average_variance for found in all_found]
        print(
            f"{runs} prints, {loads} loads, {factors} factors: least {min(seconds):.2f} s, median {np.median(seconds):.2f} s"
            f"{'' if most is None else f' (at most {most:g})'}; {all_found[0].starts} starts;"
            f" score {min(scores):.4f} to {max(scores):.4f}, I {min(average):.4f} to {max(average):.4f}",
            flush=True,
        )
        if long and all_found[0].starts < STARTS:
            best, took = timed(task, 10 * STARTS, 10 * POLISH, repeats)
            kept = [100 * np.exp(score - max(best.score, *scores)) for score in scores]
            print(
                f"    {best.starts} starts: {took:.1f} s, score {best.score:.4f}, I {best.average_variance:.4f};"
                f" efficiency of the above {min(kept):.2f} to {max(kept):.2f} %",
                flush=True,
            )


if __name__ == "__main__":
    main(*sys.argv[1:])
