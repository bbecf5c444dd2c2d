"""Names or units as people say them, in sentences of every stage."""

import re
from collections.abc import Iterator, Sequence


def spoken(name: str) -> str:
    """Return a name of the study file in words: ``drying time`` for ``drying_time``."""
    return name.replace("_", " ")


def listed(parts: Sequence[str]) -> str:
    """Return parts of a sentence as a list: ``a``, ``a and b``, ``a, b and c``."""
    return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part)


def unit_in_words(unit: str | None) -> str:
    """Return a unit as people write it: ``°C`` for ``degC``; nothing where there is none, or for a quantity without dimension."""
    return {None: "", "1": "", "degC": "°C"}.get(unit, unit or "")


def identifiers(names: Sequence[str]) -> str:
    """
    Return identifiers of prints or coupons in a sentence: up to six one by one, more as runs where they follow each other.

    Five coupons of each of twelve prints are ``coupons 1 to 5 of each of P01A to P12N, 60 in all``. A run leaves nothing out
    that it seems to hold; whole prints come before coupons. Beyond eight runs the rest is counted.
    """
    if len(names) <= _ONE_BY_ONE:
        return ", ".join(names)
    runs = list(_runs(names))
    shown, rest = runs[:_RUNS], sum(count for _, count in runs[_RUNS:])
    more = f" and {rest} more, all in record/" if rest else ""
    whole = f", {len(names)} in all" if len(runs) < len(names) or rest else ""
    return f"{', '.join(text for text, _ in shown)}{more}{whole}"


_ONE_BY_ONE, _RUNS = 6, 8
_PRINT = re.compile(r"(\D*)(\d+)([A-Z]?)")
_COUPON = re.compile(r"(.+)-([1-9]\d*)")


def _runs(names: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Yield runs of identifiers in words, each with how many it holds."""
    coupons: dict[str, list[int]] = {}
    for name in names:
        coupon = _COUPON.fullmatch(name)
        if coupon is not None:
            coupons.setdefault(coupon[1], []).append(int(coupon[2]))
    whole: list[tuple[str, list[int]]] = [(name, []) for name in names if _COUPON.fullmatch(name) is None]
    run: list[str] = []
    held: list[int] = []
    for owner, numbers in (*whole, *coupons.items()):
        if run and not (held == numbers and _follows(run[-1], owner)):
            yield _run(run, held)
            run = []
        run, held = [*run, owner], numbers
    yield _run(run, held)


def _follows(one: str, other: str) -> bool:
    """Whether a print's identifier has the number after that of another one, and is made alike."""
    first, second = _PRINT.fullmatch(one), _PRINT.fullmatch(other)
    if first is None or second is None:
        return False
    return first[1] == second[1] and int(first[2]) + 1 == int(second[2]) and bool(first[3]) == bool(second[3])


def _run(prints: Sequence[str], coupons: Sequence[int]) -> tuple[str, int]:
    """Return a run of prints, or of the same coupons of each of them, in words, with how many that are."""
    count = len(prints) * max(len(coupons), 1)
    whole = len(coupons) > 2 and list(coupons) == list(range(coupons[0], coupons[-1] + 1))
    if not coupons:
        return (f"{prints[0]} to {prints[-1]}" if len(prints) > 2 else ", ".join(prints)), count
    if len(prints) == 1:
        ends = [f"{prints[0]}-{number}" for number in (coupons[0], coupons[-1])] if whole else []
        return (" to ".join(ends) if whole else ", ".join(f"{prints[0]}-{number}" for number in coupons)), count
    which = f"{coupons[0]} to {coupons[-1]}" if whole else listed([str(number) for number in coupons])
    of = f"{prints[0]} to {prints[-1]}" if len(prints) > 2 else listed(prints)
    return f"coupon{'s' if len(coupons) > 1 else ''} {which} of each of {of}", count
