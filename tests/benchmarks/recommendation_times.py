"""
How long a recommendation takes, part by part, and how much memory.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.recommendation_times [studies]``. Studies are those of
``tests/studies/recommendation.py`` with three responses: four factors with a setpoint error, 30 prints in 6 loads and 40 in
8 in turn, 2,000 draws. Every second one has easier requirements, so that it has a window; the others say after how many
loads it would show. The setting with its bound and window (posterior, search, bound, window) is to take 0.3 s; tolerance
limits, the correlation of the responses, where each mean is best, and the cards come on top.

Times are of the processor, for machines that others use as well, and stand beside the time of one exponential function of
as many numbers as one setting has (2,000 draws, 8 nodes, 3 responses), the work that no search among settings can do without.
"""

import dataclasses
import resource
import sys
import time
import tracemalloc

import numpy as np

from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics.conformance import bound_level
from doe.numerics.terms import model_matrix
from doe.recommend import location, outlook, search, window
from doe.recommend.bounds import Chosen
from doe.recommend.choose import recommend_settings
from tests.studies import recommendation
from tests.studies.recommendation import LEVELS, TERMS, Kind

PLANS = ((30, 6), (40, 8))
EASIER = 3.0  # standard deviations of a print's mean
PARTS = ("posterior", "search", "bound", "window", "tolerance", "correlation", "location")
CORE = 4  # of the parts


def study_of(number):
    """Return a study with its plan and fit."""
    generator = np.random.default_rng([1, number])
    truth = recommendation.make_truth(Kind(3, False, "below 1"), generator)
    truth = dataclasses.replace(truth, limits=truth.limits - EASIER * (number // 2 % 2))
    design, coded, load = recommendation.planned(*PLANS[number % 2])
    mean = model_matrix(coded, TERMS, LEVELS) @ truth.coefficients.T
    study = recommendation.study_of(truth.limits)
    record = recommendation.record_of(
        study, design, mean[:, None] + recommendation.deviations(truth.ratios, load, generator)
    )
    return study, design, *fit_model(study, design, record, FitRequest(examine=False))


def timed(work):
    """Return what is made, and seconds of processor."""
    start = time.process_time()
    return work(), time.process_time() - start


def parts_of(study, design, fit, fitted):
    """Return the seconds of every part, and whether there is a window."""
    views = [one.data for one in fitted]
    view, posterior = timed(lambda: outlook.outlook(study, views, []))
    area = search.region(study, views, [])
    best, searched = timed(lambda: search.best_setting(area, view.score, outlook.generator()))
    at, asked = area.coded(best[None]), study.header.conformance

    def bound():
        quantile = bound_level([1 - float(one.mean(dtype=float)) for one in view.by_response(at).values()])
        return quantile, np.quantile(view.shares(at)[0], quantile)

    (quantile, _), bounded = timed(bound)
    found, framed = timed(lambda: window.find_window(Chosen(area, view, best, asked, quantile)))
    tolerated = timed(lambda: view.tolerance(at, asked, quantile))[1]
    correlated = timed(lambda: view.correlation(at))[1]
    located = timed(lambda: location.locations(study, area, fitted, view.drawn, at))[1]
    return (posterior, searched, bounded, framed, tolerated, correlated, located), not found.reason


def of_one_setting():
    """Return the least seconds of one exponential function of the numbers of one setting."""
    numbers = np.linspace(-5, 5, 2000 * 8 * 3).astype(np.float32)
    return min(timed(lambda: np.exp(numbers))[1] for _ in range(300))


def memory(case):
    """Return the largest resident size of the process, libraries and simulation in it, and what one recommendation allocates."""
    recommend_settings(*case, 1)
    tracemalloc.start()
    recommend_settings(*case, 1)
    allocated = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, allocated


def main(studies=16):
    """Print the table."""
    cases = [study_of(number) for number in range(studies)]
    resident, allocated = memory(cases[2 % studies])
    found = [parts_of(*case) for case in cases]
    seconds = np.array([one for one, _ in found])
    unit = of_one_setting()
    print(f"{'part':14}{'median, ms':>12}{'largest, ms':>13}{'settings (one exponential each), median':>42}")
    core = seconds[:, :CORE].sum(axis=1)
    whole = np.array([timed(lambda case=case: recommend_settings(*case, 1))[1] for case in cases])
    columns = [*zip(PARTS, seconds.T, strict=True), ("the first four", core), ("whole", whole)]
    for name, own in columns:
        print(f"{name:14}{1000 * np.median(own):12.0f}{1000 * own.max():13.0f}{np.median(own) / unit:42.0f}")
    print(f"{sum(shown for _, shown in found)} of {studies} with a window; one exponential {1e6 * unit:.0f} us")
    print(f"memory, MB: {allocated:.0f} allocated at most; resident {resident:.0f} with the libraries and the simulation")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
