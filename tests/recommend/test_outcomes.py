"""Where a mean lies beside its interval, also where some values are only limits."""

from types import SimpleNamespace

import numpy as np
import pytest

from doe.recommend.outcomes import where_lies, where_limits_lie

AHEAD = SimpleNamespace(low=24.0, high=28.0)


def with_limits(lower, upper):
    """Two prints of two values each."""
    limits = SimpleNamespace(lower=np.array(lower, dtype=float), upper=np.array(upper, dtype=float))
    return SimpleNamespace(limits=limits, of_print=np.array([0, 0, 1, 1]))


@pytest.mark.parametrize(
    ("lower", "upper", "place"),
    [
        ([25, 26, 25, 26], [25, 26, 25, 26], "inside"),  # all measured
        ([25, 25, 25, 25], [25, 25, 25, np.inf], "open"),  # one broke off at least at 25: the mean may be anything above
        ([22, 22, 22, 22], [np.inf] * 4, "open"),  # below the interval as they stand, and nothing is known above
        ([30, 30, 30, 30], [np.inf] * 4, "above"),
        ([-np.inf] * 4, [23, 23, 23, 23], "below"),
        ([-np.inf, 25, 25, 25], [25, 25, 25, 25], "open"),
    ],
)
def test_limits_decide_only_where_both_ends_agree(lower, upper, place):
    assert where_limits_lie(with_limits(lower, upper), [0, 1], AHEAD) == place


def test_values():
    assert [where_lies(value, 24.0, 28.0) for value in (23.9, 24.0, 28.0, 28.1)] == ["below", "inside", "inside", "above"]
