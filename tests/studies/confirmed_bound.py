"""
What six prints on new loads do to the bound of a material that is as good as recommended.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.confirmed_bound [studies] [seed]``; it prints a table. Truths, plans
and records are those of ``recommendation`` (one to three responses, quadratic, load ratios below 1); the recommended setting is
then printed once on each of six new loads, with scatter about the setpoint, and all prints are fitted together, as
``doe confirm`` does when it judges. Held: the true conformance at the setting is at or above the new bound.
"""

import sys
from dataclasses import asdict

import numpy as np
import pandas as pd

from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics.terms import model_matrix
from doe.recommend.choose import recommend_settings
from doe.recommend.confirm import ConfirmRequest, plan_confirmation
from doe.recommend.results import as_data
from doe.recommend.updated import updated
from doe.record.match import Record
from doe.study import scale
from tests.studies.recommendation import (
    LEVELS,
    SETPOINT_SD,
    TERMS,
    Kind,
    deviations,
    make_truth,
    planned,
    record_of,
    study_of,
    true_conformance,
)  # fmt: skip

PLANS = ((30, 6), (40, 8))
LOADS = 6


def one(plan, responses, seed):
    """Return the bound before and after, and the true conformance."""
    generator = np.random.default_rng(seed)
    truth = make_truth(Kind(responses, False, "below 1"), generator)
    design, coded, load = planned(*plan)
    values = (model_matrix(coded, TERMS, LEVELS) @ truth.coefficients.T)[:, None] + deviations(truth.ratios, load, generator)
    study = study_of(truth.limits)
    record = record_of(study, design, values)
    fit, fitted = fit_model(study, design, record, FitRequest(examine=False))
    advice = recommend_settings(study, design, fit, fitted, 1)
    request = ConfirmRequest(1, as_data(advice), "", {}, 1, loads=LOADS, override="every study is tried")
    both, confirmation = plan_confirmation(study, design, record, fitted, request)
    x = scale.coded(study, {each.factor: [each.value] for each in advice.settings})
    at = x + generator.normal(0, SETPOINT_SD, (LOADS, len(SETPOINT_SD)))
    new = (model_matrix(at, TERMS, LEVELS) @ truth.coefficients.T)[:, None]
    new = new + deviations(truth.ratios, np.arange(LOADS), generator)
    mine = record_of(study, type(both)(both.runs.iloc[len(design.runs) :].reset_index(drop=True)), new)
    tables = {name: pd.concat([getattr(record, name), getattr(mine, name)], ignore_index=True) for name in ("prints", "coupons")}
    whole = Record(**{**{name: getattr(record, name) for name in ("loads", "checks", "corrections")}, **tables})
    found = updated(study, both, whole, confirmation, None)
    after = asdict(found)["conformance"]["lower"]
    return advice.conformance.lower, after, true_conformance(truth, x[0]), advice.conformance.estimate


def main(studies=120, seed=1):
    """Print the table."""
    print("plan responses studies | bound before, after (medians) | held before, after %")
    for plan in PLANS:
        for responses in (1, 2, 3):
            rows = np.array([one(plan, responses, [seed, responses, number, plan[0]]) for number in range(studies // 3)])
            before, after, true, _ = rows.T
            held = [100 * np.mean(true >= bound) for bound in (before, after)]
            print(
                f"{plan[0]}/{plan[1]} {responses} {len(rows)} | {np.median(before):.3f} {np.median(after):.3f} |"
                f" {held[0]:.1f} {held[1]:.1f}", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
