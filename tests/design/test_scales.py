"""Grids, axial points, boxes and lines where the drying time is on a logarithmic scale."""

import numpy as np
import pytest

from doe.design import around, ascent, axial, region
from tests.conftest import BASE, make_study, numeric


@pytest.fixture
def bent():
    fine = numeric("drying_time", 4, 12, 0.05, unit="h", change="load", scale="log")
    return make_study(factors=[*BASE["factors"][:3], fine])


def hours(study, coded):
    return study.factors[3].coding.natural(coded)


def test_the_values_of_a_search_are_increments_spread_over_the_scale(bent):
    grid = region.grids(bent)[3]
    assert hours(bent, grid)[[0, -1]].tolist() == [4, 12]
    steps = hours(bent, grid) / 0.05
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
    assert len(grid) > 35
    increment = 0.05 / 4 * 2 / np.log(3)  # in coded units, at the low end where it is largest
    assert np.diff(grid).max() < 2 / 40 + increment  # even steps of 0.2 h would be four of them there


def test_axial_points_are_the_increments_nearest_the_distance(bent):
    found = axial.points(bent, ["drying_time"], 0.5).coded[:, 3]
    # 4 * 3^0.25 and 4 * 3^0.75 h
    assert hours(bent, found) == pytest.approx([5.25, 9.1], abs=1e-9)
    beyond = axial.points(bent, ["drying_time"], 1.4)
    assert hours(bent, beyond.coded[:, 3]) == pytest.approx([4 * 3**-0.2, 4 * 3**1.2], abs=0.025)
    assert not beyond.verdicts


def test_a_box_is_said_in_hours(bent):
    box = around.around(bent, np.zeros(4), 0.5)
    assert around.in_words(bent, box)["drying_time"] == pytest.approx([4 * 3**0.25, 4 * 3**0.75])


def test_a_line_is_straight_on_the_scale_and_its_first_step_is_said_in_hours(bent):
    line = ascent.Line(np.zeros(4), np.array([0.0, 0.0, 0.0, 2.0]))
    found = ascent.points(bent, line, 5)
    assert found.coded[:, 3] == pytest.approx([0, 0.25, 0.5, 0.75, 1], abs=0.025 / 6.9 / np.log(3) * 2)
    assert found.steps["drying_time"] == pytest.approx(4 * 3**0.625 - 4 * 3**0.5)
