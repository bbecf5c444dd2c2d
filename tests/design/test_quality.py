"""What a plan's figures say of terms outside the model, against published aliases."""

import pytest

from doe.design import quality
from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from tests.conftest import make_study, numeric
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
