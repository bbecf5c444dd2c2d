"""Rules about the reference settings: every factor has a value that can be set within the region of the study."""

import math
from collections.abc import Iterator

from doe.study.draft import Draft, Finding, Place
from doe.study.spec import Constraint, Factor, Reference
from doe.study.wording import meant, quoted, show

_NEAR = 1e-6


def reference_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the reference settings."""
    for position, reference in draft.references:
        place: Place = ("references", position, "setting")
        yield from _names(draft, reference, place)
        for _, factor in draft.factors:
            if factor.name in reference.setting:
                yield from _value(factor, reference.setting[factor.name], (*place, factor.name))
        yield from _constraints(draft, reference, place)


def _names(draft: Draft, reference: Reference, place: Place) -> Iterator[Finding]:
    if not draft.names_are_usable("factors", "name"):
        return
    known = [name for _, name in draft.names("factors")]
    for name in reference.setting:
        if name not in known:
            yield Finding(
                (*place, name),
                f"no factor is named '{name}'",
                f"the factors are {quoted(known)}",
                meant(name, known, "remove it; what is held fixed stands under [conditions]"),
            )
    missing = [name for name in known if name not in reference.setting]
    if missing:
        yield Finding(
            place, f"{quoted(missing)} has no value", "a reference print needs a value for every factor", "add the missing ones"
        )


def _value(factor: Factor, value: float | str, place: Place) -> Iterator[Finding]:
    if factor.levels is not None:
        if value not in factor.levels:
            yield Finding(place, f"found {show(value)}", f"the levels are {quoted(factor.levels)}", "write one of them")
        return
    if isinstance(value, str):
        yield Finding(place, f"found {show(value)}", "a number in the factor's unit", "write it without quotes and unit")
        return
    if factor.low is None or factor.high is None or factor.increment is None or not factor.low < factor.high:
        return
    slack = _NEAR * (factor.high - factor.low)
    if not factor.low - slack <= value <= factor.high + slack:
        yield Finding(
            place,
            f"found {show(value)}",
            f"it must lie within the factor's range, {show(factor.low)} to {show(factor.high)}",
            "widen the range so that it holds the reference, or leave the reference out",
        )
    else:
        steps = (value - factor.low) / factor.increment
        if abs(steps - round(steps)) > _NEAR * max(1.0, abs(steps)):
            nearest = factor.low + round(steps) * factor.increment
            yield Finding(
                place,
                f"found {show(value)}",
                f"it must be a whole number of steps of {show(factor.increment)} above {show(factor.low)}",
                f"write {nearest:.10g}, or make the increment finer",
            )


def _constraints(draft: Draft, reference: Reference, place: Place) -> Iterator[Finding]:
    for position, constraint in draft.constraints:
        total = _total(constraint, reference)
        if total > constraint.limit + 1e-9 * max(1.0, abs(constraint.limit)):
            yield Finding(
                place,
                f"it makes the sum of constraints[{position + 1}] {show(total)}",
                f"that sum must stay at or below {show(constraint.limit)}",
                "correct the reference or the constraint",
            )


def _total(constraint: Constraint, reference: Reference) -> float:
    """Return the constraint's sum at the reference, or minus infinity where a value is missing or no number."""
    values = [reference.setting.get(name) for name in constraint.coef]
    if not all(isinstance(value, int | float) for value in values):
        return -math.inf
    return sum(weight * float(value) for weight, value in zip(constraint.coef.values(), values, strict=True) if value is not None)
