"""What a plan's figures say: of terms outside the model, against published aliases; of a region that is a narrow band."""

import numpy as np
import pytest

from doe.design import check, quality
from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from tests.conftest import make_study, numeric
from tests.design.plans import few_starts
from tests.reference_data import expected_of


def test_main_effects_of_twelve_burman_runs_take_up_a_third_of_a_two_factor_effect():
    # Hamada and Wu, J. Quality Technology 24 (1992) 130 (G_plackett_burman); the centre prints beside them change nothing.
    names = ["a", "b", "c", "d", "e"]
    study = make_study(
        factors=[numeric(name, 10, 20, 1) for name in names],
        printers=[],
        budget={"prints": 12},
        model={"terms": "main"},
    )
    design = plan_runs(study, PlanRequest(kind="plackett-burman", seed=3))
    found = quality.quality(study, design.runs).biases
    assert [name for name, _, _ in found] == names
    third = expected_of("G_plackett_burman")["alias_coefficient_pb12"]
    for name, other, share in found:
        assert abs(share) == pytest.approx(third, abs=1e-12)
        assert name not in other.split(" * ")


def test_the_worst_variance_in_a_band_between_the_grid_is_that_of_the_plans_own_settings():
    # 2 <= a + b <= 3 on a square from -10 to 10: of combinations of -10, -5, 0, 5 and 10 none lies in it.
    band = [{"coef": {"a": 1.0, "b": 1.0}, "limit": 3}, {"coef": {"a": -1.0, "b": -1.0}, "limit": -2}]
    study = make_study(
        factors=[numeric(name, -10, 10, 1, unit="1") for name in "ab"],
        printers=[], budget={"prints": 10}, model={"terms": ["a", "a^2"]}, constraints=band,
    )  # fmt: skip
    with few_starts():
        runs = plan_runs(study, PlanRequest(seed=1, one_round=True)).runs
    X, _ = check.matrix(study, runs)
    variances = np.diag(X @ np.linalg.inv(X.T @ X) @ X.T)
    assert quality.quality(study, runs).worst_variance == pytest.approx(variances.max(), rel=1e-9)
