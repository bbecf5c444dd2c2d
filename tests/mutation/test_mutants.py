"""The mutants of a few lines, counted by hand."""

import pytest

from tests.mutation.mutants import mutants

SOURCE = '''
"""A docstring stays."""
from typing import Literal

LIMIT: Literal[3] = 3


def share(values: list, sign: str = "up") -> float:
    """So does this one."""
    if not 0 < sum(values) <= LIMIT:
        raise ValueError(f"{len(values) + 1} values have no share")
    return max(values[1:]) / sum(values) if sign == "up" else -1.5
'''


def test_every_change_is_listed_with_what_stood_there():
    assert [(one.line, one.was, one.now) for one in mutants(SOURCE)] == [
        (5, "3", "4"),
        (8, "'up'", "'up_'"),
        (10, "not 0 < sum(values) <= LIMIT", "0 < sum(values) <= LIMIT"),
        (10, "0 < sum(values) <= LIMIT", "0 <= sum(values) <= LIMIT"),
        (10, "0 < sum(values) <= LIMIT", "0 >= sum(values) <= LIMIT"),
        (10, "0 < sum(values) <= LIMIT", "0 < sum(values) < LIMIT"),
        (10, "0 < sum(values) <= LIMIT", "0 < sum(values) > LIMIT"),
        (10, "0", "1"),
        (11, "raise ValueError(f'{len(values) + 1} values have no share')", "pass"),
        (12, "return max(values[1:]) / sum(values) if sign == 'up' else -1.5", "return None"),
        (12, "sign == 'up'", "sign != 'up'"),
        (12, "'up'", "'up_'"),
        (12, "max(values[1:]) / sum(values)", "max(values[1:]) * sum(values)"),
        (12, "max", "min"),
        (12, "1:", ":"),
        (12, "1", "2"),
        (12, "-1.5", "1.5"),
        (12, "1.5", "3.0"),
    ]


def test_one_mutant_does_not_carry_over_into_the_next():
    def share(now, *arguments):
        scope = {}
        exec(made[now], scope)
        return scope["share"](*arguments)

    made = {mutant.now: mutant.code for mutant in mutants(SOURCE) if mutant.line == 12}
    assert share("min", [0.5, 0.25, 1.0]) == pytest.approx(0.25 / 1.75)
    assert share("max(values[1:]) * sum(values)", [0.5, 0.25]) == pytest.approx(0.25 * 0.75)
    assert share("1.5", [0.5, 0.25], "down") == 1.5
    assert share("3.0", [0.5, 0.25]) == pytest.approx(0.25 / 0.75)
