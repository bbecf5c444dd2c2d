"""Identifiers in a sentence: runs say no more and no less than the list they stand for."""

import pytest

from doe.design.plan import identifier
from doe.study.names import identifiers

PRINTS = [identifier("P", number, 2) for number in range(1, 37)]


def coupons(prints, numbers=range(1, 6)):
    return [f"{name}-{number}" for name in prints for number in numbers]


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (PRINTS[:2], f"{PRINTS[0]}, {PRINTS[1]}"),
        (coupons(PRINTS[:1]), ", ".join(coupons(PRINTS[:1]))),
        (coupons(PRINTS[12:]), f"coupons 1 to 5 of each of {PRINTS[12]} to {PRINTS[35]}, 120 in all"),
        (PRINTS[:8], f"{PRINTS[0]} to {PRINTS[7]}, 8 in all"),
        ([*PRINTS[:4], *PRINTS[5:10]], f"{PRINTS[0]} to {PRINTS[3]}, {PRINTS[5]} to {PRINTS[9]}, 9 in all"),
        (coupons(PRINTS[:4], (2, 4)), f"coupons 2 and 4 of each of {PRINTS[0]} to {PRINTS[3]}, 8 in all"),
        (coupons(PRINTS[:2], (1, 2, 3, 5)), f"coupons 1, 2, 3 and 5 of each of {PRINTS[0]} and {PRINTS[1]}, 8 in all"),
        (coupons(["a", "b"], (1, 2, 3, 4)), "a-1 to a-4, b-1 to b-4, 8 in all"),
        (PRINTS[:14:2], ", ".join(PRINTS[:14:2])),
        ([], ""),
    ],
)
def test_runs_are_written_where_identifiers_follow_each_other(names, said):
    assert identifiers(names) == said


def test_a_coupon_that_is_missing_breaks_the_run():
    names = [name for name in coupons(PRINTS[:6]) if name != f"{PRINTS[2]}-3"]
    said = identifiers(names)
    first, gap, last = (
        f"coupons 1 to 5 of each of {PRINTS[0]} and {PRINTS[1]}", f"{PRINTS[2]}-1, {PRINTS[2]}-2, {PRINTS[2]}-4, {PRINTS[2]}-5",
        f"coupons 1 to 5 of each of {PRINTS[3]} to {PRINTS[5]}",
    )  # fmt: skip
    assert said == f"{first}, {gap}, {last}, 29 in all"


def test_a_print_and_its_own_coupons_are_both_said():
    assert identifiers([PRINTS[0], *coupons(PRINTS[:2])]).startswith(f"{PRINTS[0]}, coupons 1 to 5 of each of {PRINTS[0]} and ")


def test_beyond_eight_runs_the_rest_is_counted():
    said = identifiers(PRINTS[::2])
    assert said == f"{', '.join(PRINTS[:16:2])} and 10 more, all in record/, 18 in all"
