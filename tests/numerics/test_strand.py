"""Crank's series for a strand, against its sum, its two limits, finite differences and tabulated values."""

import math

import numpy as np
import pytest
from scipy import special

from doe.numerics import strand

TIMES = np.logspace(-9, 1.5, 4001)


def finite_differences(steps, cells, tau):
    """Mean of a cylinder of radius 1 from 1 towards 0: explicit steps on rings; the flux through a ring's face balances."""
    faces = np.linspace(0, 1, cells + 1)
    width, area = 1 / cells, (faces[1:] ** 2 - faces[:-1] ** 2) / 2
    content, step = np.ones(cells), tau / steps
    assert step < width**2 / 4
    for _ in range(steps):
        slope = np.append(np.diff(content) / width, -content[-1] / (width / 2))
        flow = np.append(0.0, faces[1:] * slope)
        content = content + step * np.diff(flow) / area
    return float(content @ area) * 2


def test_series_of_crank():
    # Crank 1975, eq. 5.23, summed over 2000 zeros of J0
    zeros = special.jn_zeros(0, 2000)
    times = np.array([1e-3, 0.004, 0.0049999, 0.005, 0.006, 0.05, 0.5, 2.0, 20.0])
    summed = (4 / zeros**2 * np.exp(-np.outer(times, zeros**2))).sum(axis=1)
    assert strand.remaining(times) == pytest.approx(summed, rel=2e-15 * 50, abs=0)
    assert strand.removed(times) == pytest.approx(1 - summed, abs=2e-15)


def test_tabulated_zeros_of_j0():
    # trade sheet, §4, to the digits given; and J0 changes its sign within the last of them
    tabulated = np.array([2.404826, 5.520078, 8.653728, 11.791534])
    assert special.jn_zeros(0, 4) == pytest.approx(tabulated, abs=5e-7)
    assert np.all(special.j0(tabulated - 5e-7) * special.j0(tabulated + 5e-7) < 0)
    # late in a drying the first zero alone decides: the slope of the logarithm is its square
    late = np.log(strand.remaining([2.0, 3.0]))
    assert late[0] - late[1] == pytest.approx(tabulated[0] ** 2, rel=5e-7)


def test_short_times_of_crank():
    # Crank 1975, eq. 5.25, three terms; the next is -tau^2 / 8, from the expansion of I1(q) / I0(q)
    times = np.logspace(-9, -2, 50)
    three = 4 * np.sqrt(times / np.pi) - times - times**1.5 / (3 * math.sqrt(np.pi))
    gap = strand.removed(times) - three
    assert np.all(np.abs(gap) < 0.15 * times**2 + 1e-16)
    assert strand.removed(1e-12) == pytest.approx(4e-6 / math.sqrt(np.pi) - 1e-12, rel=1e-12)


def test_fifty_terms_suffice_from_a_thousandth_on():
    # trade sheet, §4
    zeros = special.jn_zeros(0, 50)
    assert strand.remaining(0.001) == pytest.approx(float((4 / zeros**2 * np.exp(-(zeros**2) * 0.001)).sum()), abs=1e-13)


@pytest.mark.parametrize(("tau", "error"), [(0.005, 3.4e-6), (0.1, 1.9e-3)])
def test_three_terms_are_off_as_stated(tau, error):
    three = 4 * math.sqrt(tau / np.pi) - tau - tau**1.5 / (3 * math.sqrt(np.pi))
    zeros = special.jn_zeros(0, 2000)
    exact = 1 - float((4 / zeros**2 * np.exp(-(zeros**2) * tau)).sum())
    assert three - exact == pytest.approx(error, rel=0.02)


def test_long_times():
    # trade sheet, §4: R is about 0.6917 exp(-5.7832 tau); 4 / alpha_1^2 and alpha_1^2 to the digits given
    first = float(special.jn_zeros(0, 1)[0]) ** 2
    assert (4 / first, first) == (pytest.approx(0.6917, abs=5e-5), pytest.approx(5.7832, abs=5e-5))
    times = np.array([1.0, 2.0, 3.0])
    assert strand.remaining(times) == pytest.approx(0.6917 * np.exp(-5.7832 * times), rel=1.5e-4)


@pytest.mark.parametrize(
    ("tau", "share"),
    [(0.01, 0.784526), (0.05, 0.547879), (0.1, 0.394176), (0.2, 0.217852), (0.5, 0.038379), (1.0, 0.002130)],
)
def test_tabulated_shares(tau, share):
    # trade sheet, §4
    assert strand.remaining(tau) == pytest.approx(share, abs=5e-7)


@pytest.mark.parametrize(("share", "tau"), [(0.5, 0.063058), (0.1, 0.334413), (0.05, 0.454261), (0.01, 0.732556)])
def test_tabulated_times(share, tau):
    # trade sheet, §4
    assert strand.inverted(np.array(share), np.array(1 - share)) == pytest.approx(tau, abs=5e-7)


@pytest.mark.parametrize("tau", [0.02, 0.1, 0.5])
def test_against_finite_differences(tau):
    # error of second order in the width of a ring: two grids and Richardson's extrapolation
    coarse, fine = finite_differences(4000, 40, tau), finite_differences(16000, 80, tau)
    assert strand.remaining(tau) == pytest.approx((4 * fine - coarse) / 3, abs=3e-5)


def test_strictly_monotone_also_at_the_change_over():
    around = 0.005 + np.linspace(-1e-10, 1e-10, 2001)
    for times in (TIMES, around):
        assert np.all(np.diff(strand.remaining(times)[times > 1e-3]) < 0)
        assert np.all(np.diff(strand.removed(times)[times < 2.0]) > 0)


def test_share_and_time_go_back_and_forth():
    inner = TIMES[TIMES > 1e-4]
    assert strand.inverted(strand.remaining(inner), strand.removed(inner)) == pytest.approx(inner, rel=1e-12)
    assert strand.inverted(np.array([1.0, 0.0]), np.array([0.0, 1.0])).tolist() == [0.0, math.inf]
    assert strand.remaining([0.0, math.inf]).tolist() == [1.0, 0.0]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: strand.remaining([0.1, -0.1]), r"the time is -0.1: it must be 0 or more"),
        (lambda: strand.removed(math.nan), r"the time is nan: it must be 0 or more"),
    ],
)
def test_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
