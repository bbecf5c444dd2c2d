"""How many failures are more than the earlier prints let expect."""

import pytest
from scipy import stats

from doe.recommend.confirmation import Before
from doe.recommend.counted import surprising

RARE, OFTEN = Before("completion", "completes", 0, 30), Before("completion", "completes", 12, 30)


@pytest.mark.parametrize(
    ("bad", "of", "before", "expected"),
    [
        (0, 6, RARE, False), (1, 6, RARE, False), (2, 6, RARE, True), (2, 6, OFTEN, False), (3, 6, OFTEN, False),
        (6, 6, OFTEN, True), (1, 1, RARE, True), (4, 12, OFTEN, False), (10, 12, OFTEN, True),
    ],
)  # fmt: skip
def test_counts(bad, of, before, expected):
    assert surprising(bad, of, before) is expected


@pytest.mark.parametrize("failing", [0.02, 0.1, 0.2, 0.3, 0.4])
def test_unchanged_failures_are_seldom_a_surprise(failing):
    """Every pair of counts with its chance: prints that fail as often as before."""
    chance = sum(
        stats.binom.pmf(was, 30, failing) * stats.binom.pmf(bad, 6, failing)
        for was in range(31) for bad in range(7) if surprising(bad, 6, Before("", "", was, 30))
    )
    assert chance <= 0.025
