"""How many failures are more than the earlier prints let expect."""

import numpy as np
import pytest

from doe.recommend.confirmation import Before
from doe.recommend.counted import surprising

RARE, OFTEN = Before("completion", "completes", 0, 30), Before("completion", "completes", 12, 30)


@pytest.mark.parametrize(
    ("bad", "of", "before", "expected"),
    [
        (0, 6, RARE, False), (1, 6, RARE, False), (2, 6, RARE, True), (2, 6, OFTEN, False), (3, 6, OFTEN, True),
        (1, 1, RARE, True), (4, 12, OFTEN, False), (6, 12, OFTEN, True),
    ],
)  # fmt: skip
def test_counts(bad, of, before, expected):
    assert surprising(bad, of, before) is expected


def test_a_bound_of_the_model_is_used_where_there_is_one():
    assert surprising(2, 6, OFTEN, lower=0.98)
    assert not surprising(2, 6, RARE, lower=0.7)


def test_unchanged_failures_are_seldom_a_surprise():
    # Prints that fail as often as before, 7 in 100 of them: half of six, or less than a chance of 2.5 %.
    generator = np.random.default_rng(4)
    before, after = generator.binomial(30, 0.07, 2000), generator.binomial(6, 0.07, 2000)
    called = [surprising(int(bad), 6, Before("", "", int(was), 30)) for bad, was in zip(after, before, strict=True)]
    assert np.mean(called) < 0.035
