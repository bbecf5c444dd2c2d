"""
How many digits agree with certified, published and recomputed values, quantity by quantity.

Run it as ``python -m tests.published_digits [part of a case's name]``. For values with many digits the figure is the least
log relative error over the values of a quantity, up to 15. For values as they were printed it is their number of digits
where each of ours rounds to what was printed. A line with ``*`` falls short of what it should reach, and says why; the
sources are those of the files in ``tests/reference``.
"""

import sys
from collections.abc import Iterator
from functools import cache

from tests.numerics import published_judged, published_least_squares, published_nist, published_strata
from tests.numerics.published import Agreement, case

PARTS = (published_nist, published_least_squares, published_strata, published_judged)


@cache
def agreements() -> tuple[Agreement, ...]:
    return tuple(one for part in PARTS for one in part.everything())


def source_of(name: str) -> str:
    recorded = case(name)
    return str(recorded.get("source") or recorded.get("R", ""))


def lines(wanted: str = "") -> Iterator[str]:
    """Yield the table, one case after another with its source."""
    before = ""
    for one in agreements():
        if wanted.lower() not in one.case.lower():
            continue
        if one.case != before:
            before = one.case
            yield f"\n{one.case}: {source_of(one.case)}"
        yield f"{' ' if one.holds else '*'} {one.digits:5.1f} of {one.least:4.1f}  {one.quantity}" + (
            f" ({one.note})" if one.note else ""
        )


def main() -> None:
    for line in lines(*sys.argv[1:2]):
        print(line)
    short = [one for one in agreements() if not one.holds]
    print(
        f"\n{len(agreements())} quantities of {len({one.case for one in agreements()})} cases, {len(short)} of them short"
    )


if __name__ == "__main__":
    main()
