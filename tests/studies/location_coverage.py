"""
How often the intervals for the place of the best mean hold: python -m tests.studies.location_coverage [STUDIES].

The figures are in ``doe/recommend/location.py``. Ten cases; 200 studies of each take about ten minutes.
"""

import itertools
import sys

import numpy as np

from doe.model import covariates
from doe.model.data import response_data
from doe.model.measured import fit_measured
from doe.numerics import optimum, surface
from doe.numerics import terms as model_terms
from doe.recommend import location, outlook, search
from tests.recommend.test_choose import make_design, make_record, make_study

LEVELS = (0, 0, 0)
TERMS = model_terms.standard_terms("quadratic", LEVELS)
FACTORS = [{"name": name, "unit": "1", "low": -1, "high": 1, "increment": 0.05} for name in "abc"]
FACTORS[2]["change"] = "load"
TRUTHS = {
    "hill": {(0,): 1.0, (1,): -0.5, (2,): 0.8, (0, 0): -3.0, (1, 1): -2.0, (2, 2): -2.0, (0, 1): 0.5},
    "ridge": {(0,): 1.0, (1,): 0.5, (2,): 0.3, (0, 0): -2.0, (1, 1): -1.0, (2, 2): -0.2, (0, 1): 1.0},
    "at an end": {(0,): 3.0, (1,): 0.5, (2,): 1.0, (0, 0): -1.0, (1, 1): -2.0, (2, 2): -1.0},
    "saddle": {(0,): 0.6, (1,): 0.4, (2,): 0.5, (0, 0): 1.0, (1, 1): -1.5, (2, 2): -1.0, (1, 2): 0.6},
    "near an end": {(0,): 1.8, (1,): -0.5, (2,): 1.8, (0, 0): -1.0, (1, 1): -2.0, (2, 2): -1.0},
}
SPREAD = 0.9  # of prints, and of coupons


def plan(study):
    """Return a face-centred plan of 18 prints, in loads of two with the same last factor."""
    corners = [at for at in itertools.product((-1, 0, 1), repeat=3) if sum(map(abs, at)) in (1, 3)]
    settings = sorted([*corners, *[(0, 0, 0)] * 4], key=lambda at: at[2])
    loads = []
    for _, group in itertools.groupby(settings, key=lambda at: at[2]):
        first = max(loads, default=-1) + 1
        loads += [first + place // 2 for place, _ in enumerate(group)]
    return make_design(study, settings, loads)


def located(study, design, beta, ratio, seed, at):
    """Return the place in one simulated study."""

    def strength(settings):
        return model_terms.model_matrix(np.column_stack([settings[name] for name in "abc"]), TERMS, LEVELS) @ beta

    record = make_record(study, design, {"strength": strength}, seed, (SPREAD * ratio**0.5, SPREAD, SPREAD))
    data = response_data(study, design, record, study.responses[0], TERMS)
    fitted = fit_measured(study, (data, data), covariates.Covariates((), {}, (), ()), {}, examine=False)
    view = outlook.outlook(study, [fitted.data], [])
    return location.locations(study, search.region(study, view.views, []), [fitted], view.drawn, at[None]).rows[0]


def main(studies):
    study = make_study(FACTORS)
    design = plan(study)
    for (name, truth), ratio in itertools.product(TRUTHS.items(), (0.0, 1.0)):
        beta = np.array([25.0 if term == () else truth.get(term, 0.0) for term in TERMS])
        best = optimum.best_points(beta, TERMS, [(-1, 1)] * 3).points[0]
        bent = surface.quadratic_form(beta, TERMS, range(3))[1]
        held, level, bending, wrong = [], [], [], []
        for seed in range(studies):
            found = located(study, design, beta, ratio, seed, best)
            held.append([one.low - 1e-9 <= at <= one.high + 1e-9 for one, at in zip(found.places, best, strict=True)])
            level.append(found.shape.may_be_level)
            axes = [np.array(list(one.direction.values())) for one in found.shape.curvatures]
            true = [axis @ bent @ axis for axis in axes]
            bending.append([one.low <= at <= one.high for one, at in zip(found.shape.curvatures, true, strict=True)])
            wrong.append(
                [
                    one.sign == (bending.RISES if at < 0 else bending.FALLS)
                    for one, at in zip(found.shape.curvatures, true, strict=True)
                ]
            )
        inner = np.mean(level) if np.abs(best).max() < 1 else np.nan
        print(
            f"{name:12s} ratio {ratio:g}: places {np.mean(held, axis=0)}, all {np.mean(np.all(held, axis=1)):.3f}; level"
            f" {inner:.3f}; bending {np.mean(bending, axis=0)}, wrong sign {np.mean(wrong):.3f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
