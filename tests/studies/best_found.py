"""
How far the setting that is found falls short of the best of all settings, with the same draws.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.best_found [studies] [seed]``; some two to four seconds a study.
Studies are those of ``tests/studies/recommendation.py`` with three responses: four factors that can be set to 9 or 11 values
each, with a setpoint error; 30 prints in 6 loads and 40 in 8 in turn, half of the truths with cubic terms, half of them with
load ratios above 1. The search looks at some hundred settings; here the posterior mean of the conformance is taken, with all
2,000 draws, at every one of the 9,801 settings that may be recommended.
"""

import itertools
import sys
import time
from dataclasses import dataclass

import numpy as np

from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics.terms import model_matrix
from doe.recommend import outlook, search
from tests.studies import recommendation
from tests.studies.recommendation import LEVELS, TERMS, Kind

PLANS = ((30, 6), (40, 8))
AT_ONCE = 400
MOST = 0.003  # by which the setting found may fall short


@dataclass(frozen=True)
class Found:
    """Posterior-mean conformance at the setting found and at the best one, how many are allowed, and seconds of processor."""

    plan: tuple[int, int]
    here: float
    best: float
    allowed: int
    search: float
    enumeration: float

    @property
    def shortfall(self):
        return self.best - self.here


def simulated(plan, kind, seed):
    """Return the region and the outlook of a simulated study."""
    generator = np.random.default_rng(seed)
    truth = recommendation.make_truth(kind, generator)
    design, coded, load = recommendation.planned(*plan)
    mean = model_matrix(coded, TERMS, LEVELS) @ truth.coefficients.T
    values = mean[:, None] + recommendation.deviations(truth.ratios, load, generator)
    study = recommendation.study_of(truth.limits)
    record = recommendation.record_of(study, design, values)
    views = [one.data for one in fit_model(study, design, record, FitRequest(examine=False))[1]]
    return search.region(study, views, []), outlook.outlook(study, views, [])


def on_all_settings(area, view):
    """Return every setting that may be recommended, as places on the axes, and its posterior-mean conformance."""
    every = np.array(list(itertools.product(*(range(len(axis.natural)) for axis in area.axes))))
    allowed = every[area.allows(every)]
    parts = (allowed[start : start + AT_ONCE] for start in range(0, len(allowed), AT_ONCE))
    return allowed, np.concatenate([view.shares(area.coded(part)).mean(axis=1, dtype=float) for part in parts])


def compared(plan, kind, seed):
    """Return what the search and the enumeration found in one study."""
    area, view = simulated(plan, kind, seed)
    start = time.process_time()
    place = search.best_setting(area, view.score, outlook.generator())
    searched = time.process_time()
    allowed, shares = on_all_settings(area, view)
    here = shares[(allowed == place).all(axis=1)]
    return Found(
        plan, float(here[0]), float(shares.max()), len(allowed), searched - start, time.process_time() - searched
    )


def kind_of(number):
    """Return the kind of a study: truth and load ratios in turn."""
    return Kind(3, number // 2 % 2 == 1, ("below 1", "above 1")[number // 4 % 2])


def main(studies=48, seed=1):
    """Print the largest shortfall, and the times."""
    found = [compared(PLANS[number % 2], kind_of(number), [seed, number]) for number in range(studies)]
    print("plan    studies  settings  best found  largest shortfall  search, s  enumeration, s")
    for plan in PLANS:
        own = [one for one in found if one.plan == plan]
        print(
            f"{plan[0]}/{plan[1]:<5}{len(own):7d}{np.median([one.allowed for one in own]):10.0f}"
            f"{sum(one.shortfall < 1e-6 for one in own):12d}{max(one.shortfall for one in own):19.5f}"
            f"{np.median([one.search for one in own]):11.3f}{np.median([one.enumeration for one in own]):16.2f}"
        )
    print(f"largest shortfall of all {max(one.shortfall for one in found):.5f}; at most {MOST} is wanted")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
