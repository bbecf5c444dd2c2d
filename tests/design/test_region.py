"""The region as arrays: increments, constraints and the corners that they cut off."""

import numpy as np
import pytest

from doe.design import region
from tests.conftest import make_study, numeric

HOT = {"coef": {"nozzle_temperature": 1.0, "bed_temperature": 2.0}, "limit": 430}


def test_grids_are_the_increments_and_at_most_41_of_them():
    study = make_study(factors=[numeric("a", 0, 30, 1), numeric("b", 0, 1, 0.001), {"name": "c", "levels": ["x", "y"]}])
    grids = region.grids(study)
    assert [len(grid) for grid in grids] == [31, 41, 2]
    assert grids[0] == pytest.approx(np.linspace(-1, 1, 31), abs=1e-12)
    natural = (grids[1] + 1) / 2
    assert natural == pytest.approx(np.round(natural, 3), abs=1e-12)
    assert grids[2].tolist() == [0, 1]
    assert [grid.tolist() for grid in region.grids(study, two_levels=True)] == [[-1, 1], [-1, 1], [0, 1]]


def test_constraints_agree_with_their_sums_in_natural_units():
    study = make_study(constraints=[HOT])
    generator = np.random.default_rng(1)
    settings = generator.uniform(-1, 1, (500, 4))
    sums = (270 + 15 * settings[:, 0]) + 2 * (70 + 10 * settings[:, 1])
    assert (region.allowed(study, settings) == (sums <= 430)).all()
    assert 0 < region.allowed(study, settings).mean() < 1


def test_corners_that_are_cut_off_are_named():
    assert region.cut_corners(make_study()) == []
    assert region.cut_corners(make_study(constraints=[HOT])) == [{"nozzle_temperature": 285, "bed_temperature": 80}]


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ([1, -1, 1, -1], "corner"),
        ([0, 0, 0, 0], "centre"),
        ([0, 0.4, 0, 0], "axial"),
        ([1, 0, 1, 1], "edge"),
        ([0.2, 0, 0, 0.5], "inside"),
    ],
)
def test_a_position_has_its_name(setting, said):
    assert region.position(make_study(), np.array(setting, dtype=float)) == said
