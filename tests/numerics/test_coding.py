"""Natural units to the coded scale and back."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics import coding, drying

ENDS = st.tuples(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4)).map(lambda pair: (pair[0], pair[0] + pair[1]))


def test_low_centre_and_high():
    coded = coding.to_coded([255, 270, 285], 255, 285)
    assert coded.tolist() == [-1, 0, 1]
    assert coding.to_natural([-1, 0, 1, 0.5], 255, 285).tolist() == [255, 270, 285, 277.5]


@settings(deadline=None)
@given(ENDS)
def test_the_ends_come_back_exactly(ends):
    assert coding.to_natural([-1, 1], *ends).tolist() == list(ends)


@settings(deadline=None)
@given(ENDS, st.lists(st.floats(-2, 2), min_size=1, max_size=5))
def test_round_trip(ends, coded):
    low, high = ends
    back = coding.to_coded(coding.to_natural(coded, low, high), low, high)
    noise = 1e-14 * (1 + max(abs(low), abs(high)) / (high - low))
    assert back == pytest.approx(np.array(coded), abs=8 * noise)


def test_a_missing_value_stays_missing():
    assert math.isnan(coding.to_coded([math.nan], 0, 1)[0])


@pytest.mark.parametrize(("low", "high"), [(2.0, 2.0), (3.0, 2.0), (math.nan, 1.0), (0.0, math.inf)])
def test_low_must_be_below_high(low, high):
    with pytest.raises(ValueError, match="low must be below high"):
        coding.to_coded([1.0], low, high)
    with pytest.raises(ValueError, match="low must be below high"):
        coding.to_natural([1.0], low, high)


def test_rounding_reads_as_people_write_it():
    values = coding.round_to_increment([-0.06, -0.031, 0.001, 0.0149, 0.0151, 0.0251], 0.01, -0.06)
    assert [repr(float(value)) for value in values] == ["-0.06", "-0.03", "0.0", "0.01", "0.02", "0.03"]


def test_the_grid_starts_at_the_origin_and_ties_go_up():
    assert coding.round_to_increment([255, 255.9, 256, 258.1], 2, 255).tolist() == [255, 255, 257, 259]


@settings(deadline=None)
@given(
    st.floats(-500, 500), st.sampled_from([0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0]),
    st.sampled_from([-0.06, 0.0, 2.0, 60.0, 255.0]),
)
def test_rounded_values_are_on_the_grid_nearest_and_stay(value, increment, origin):
    rounded = coding.round_to_increment([value], increment, origin)
    steps = (rounded[0] - origin) / increment
    assert steps == pytest.approx(round(steps), abs=1e-6)
    assert abs(rounded[0] - value) <= increment / 2 * (1 + 1e-6)
    assert coding.round_to_increment(rounded, increment, origin).tolist() == rounded.tolist()


@pytest.mark.parametrize("increment", [0.0, -1.0, math.nan, math.inf])
def test_the_increment_must_be_positive(increment):
    with pytest.raises(ValueError, match="the increment must be above 0"):
        coding.round_to_increment([1.0], increment, 0.0)


def test_a_scale_without_a_bend_is_linear():
    plain = coding.Scale(255, 285)
    assert plain.coded([255, 262.5]).tolist() == [-1, -0.5]
    assert plain.natural([-1, 0.5]).tolist() == [255, 277.5]
    assert plain.moved([-1, 0], 3).tolist() == [-0.8, 0.2]


def test_a_logarithmic_scale_steps_by_ratios_and_moves_in_natural_units():
    bent = coding.Scale(1, 16, coding.Logarithm())
    assert bent.coded([1, 2, 4, 8, 16]) == pytest.approx([-1, -0.5, 0, 0.5, 1], abs=1e-12)
    assert bent.natural([-1, 0, 1]) == pytest.approx([1, 4, 16], rel=1e-12)
    assert bent.moved([-1, 0.5], [1, 8]) == pytest.approx([-0.5, 1], abs=1e-12)
    assert np.isinf(bent.natural([1e6])).all()


@pytest.mark.parametrize("value", [0.0, -1.0])
def test_what_is_not_above_zero_has_no_place_on_a_logarithmic_scale(value):
    with pytest.raises(ValueError, match="has no logarithm"):
        coding.Scale(1, 16, coding.Logarithm()).coded([2, value])


def test_no_time_below_zero_dries():
    bent = coding.Scale(2, 10, coding.Drying(drying.Course(0.03, 2.7, 0.1)))
    assert np.isnan(bent.coded([np.nan, 3])).tolist() == [True, False]
    with pytest.raises(ValueError, match="is no drying time"):
        bent.coded([-1])


@pytest.mark.parametrize("ends", [(2, 10), (4, 12), (12, 13)])
def test_every_drying_time_that_was_used_comes_back_from_the_scale(ends):
    bent = coding.Scale(*ends, coding.Drying(drying.Course(0.05, 0.8, 0.02)))
    used = np.arange(0, 400, 0.5)
    found = bent.natural(bent.coded(used))
    assert found[used <= 48] == pytest.approx(used[used <= 48], rel=1e-6, abs=1e-12)
    assert np.isfinite(found).all() and np.diff(found).min() >= 0  # dried to what the air leaves: times are alike in moisture
    assert found[used > 48].min() > 48
    beyond = bent.coded([0, 400]) + np.array([-0.01, 0.01])  # wetter than at the start, drier than the air
    assert np.isnan(bent.natural(beyond)).all()
