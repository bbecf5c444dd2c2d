"""Rules about printers, instruments, constraints, the oven or the budget that need more than one value."""

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from scipy.optimize import linprog

from doe.numerics import calibration
from doe.study.draft import Draft, Finding, Place
from doe.study.heat import heat_findings
from doe.study.rules import factor_reference
from doe.study.spec import Budget, Check, Constraint, Factor, Printer
from doe.study.wording import meant, quoted, show
from doe.study.z_direction import is_turned, limits_of, sense_findings

MINUTES_PER: Mapping[str, int] = {"h": 60, "hour": 60, "hours": 60, "min": 1, "minute": 1, "minutes": 1}
"""Units of a duration, and how many minutes each has."""
_FIRST_YEAR, _LAST_YEAR = 2000, 2099
_LONGEST = 10.0**9
"""Minutes beyond which durations are no longer told apart."""


def equipment_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with printers, their limits and checks, instruments, constraints, the oven and the budget."""
    yield from _distinct(draft, "printers", "name")
    yield from _distinct(draft, "instruments", "id")
    for position, printer in draft.printers:
        for name in printer.limits:
            yield from _limits(draft, ("printers", position, "limits", name), printer, name)
        for number, check in enumerate(printer.checks):
            yield from _check(draft, ("printers", position, "checks", number), check)
        yield from _lines(("printers", position, "checks"), printer)
    for position, response in draft.responses:
        yield from _known_tool(draft, ("responses", position), response.instrument)
    yield from _tools(draft)
    yield from sense_findings(draft)
    yield from _constraints(draft)
    yield from _plate(draft)
    yield from _oven(draft)
    yield from heat_findings(draft)
    yield from _budget(draft)
    yield from _shift(draft)
    yield from _start(draft)


def drying_factor(factors: Iterable[Factor]) -> Factor | None:
    """
    Return the factor that says how long a load is dried, or None where no factor does.

    It is the numeric factor with ``change = "load"`` whose unit is one of :data:`MINUTES_PER`; of several the first with
    ``dry`` in its name, else the first.
    """
    timed = [one for one in factors if one.change == "load" and one.is_numeric and one.unit in MINUTES_PER]
    return next((one for one in timed if "dry" in one.name), timed[0] if timed else None)


def fits_shift(budget: Budget) -> bool:
    """Whether a print ends in the shift in which it was started, both in whole minutes, or need not."""
    return budget.overnight_prints or whole_minutes(budget.print_minutes) <= round(60 * budget.hours_per_day)


def whole_minutes(minutes: float) -> int:
    """Return a duration in whole minutes, rounded up but for the dust of floating-point arithmetic."""
    return math.ceil(min(minutes, _LONGEST) * (1 - 1e-12))


def _distinct(draft: Draft, table: str, key: str) -> Iterator[Finding]:
    seen: dict[str, int] = {}
    for position, name in draft.names(table, key):
        if name in seen:
            yield Finding(
                (table, position, key),
                f"'{name}' is already {table}[{seen[name] + 1}]",
                f"each of the {table} needs {'a name' if key == 'name' else 'an id'} of its own",
                "rename one of the two",
            )
        seen.setdefault(name, position)


def _lines(place: Place, printer: Printer) -> Iterator[Finding]:
    """All readings of one factor make one line from set to actual, and it must rise."""
    for name in dict.fromkeys(check.factor for check in printer.checks):
        mine = [check for check in printer.checks if check.factor == name and len(check.set) == len(check.actual)]
        setpoints = [value for check in mine for value in check.set]
        actual = [value for check in mine for value in check.actual]
        try:
            if setpoints:
                calibration.fit_line(setpoints, actual)
        except ValueError as error:
            yield Finding(
                place,
                f"the readings of '{name}' give no line from set to actual ({error})",
                "actual values rise with the setpoint",
                "look for readings typed in the wrong order or in another unit",
            )


def _limits(draft: Draft, place: Place, printer: Printer, name: str) -> Iterator[Finding]:
    yield from factor_reference(draft, place, name)
    factor, limits = draft.numeric.get(name), printer.limits[name]
    low, high = (factor is not None and limits_of(factor, printer)) or limits
    if not low < high:
        yield Finding(
            place,
            f"found {show(limits)}",
            "the lower limit comes first and must be below the upper one",
            "swap or correct them",
        )
    elif factor is not None and _has_range(factor) and not low <= _bounds(factor)[0] < _bounds(factor)[1] <= high:
        yield Finding(
            place,
            f"the factor runs from {show(factor.low)} to {show(factor.high)}, beyond this printer's {show(limits)}"
            + _turned(factor, printer),
            "the factor's range must lie within the limits of every printer",
            "narrow the range, leave this printer out, or correct the limit from the maker's manual",
        )


def _turned(factor: Factor, printer: Printer) -> str:
    return f", where {printer.z_closer} is closer and the sign is the other way round" if is_turned(factor, printer) else ""


def _check(draft: Draft, place: Place, check: Check) -> Iterator[Finding]:
    yield from factor_reference(draft, (*place, "factor"), check.factor)
    if len(check.set) != len(check.actual) or not check.set:
        yield Finding(
            (*place, "actual"),
            f"found {len(check.set)} set and {len(check.actual)} actual values",
            "each reading needs both, and there must be at least one",
            "complete the two lists, in the same order",
        )
    yield from _known_tool(draft, place, check.instrument)
    yield from _doubt(draft, place, check)


def _known_tool(draft: Draft, place: Place, instrument: str | None) -> Iterator[Finding]:
    known = [name for _, name in draft.names("instruments", "id")]
    if instrument not in (None, *known) and draft.names_are_usable("instruments", "id"):
        yield Finding(
            (*place, "instrument"),
            f"no instrument has the id '{instrument}'",
            f"the instruments are {quoted(known)}" if known else "the study names no instruments",
            meant(str(instrument), known, "add it under [[instruments]]"),
        )


def _doubt(draft: Draft, place: Place, check: Check) -> Iterator[Finding]:
    for key in ("contact", "repeatability"):
        yield from _too_wide(draft, (*place, key), getattr(check, key), {check.factor})


def _tools(draft: Draft) -> Iterator[Finding]:
    checks = [check for _, printer in draft.printers for check in printer.checks]
    for position, tool in draft.instruments:
        read = {check.factor for check in checks if check.instrument == tool.id}
        for key in ("limit_of_error", "readout"):
            yield from _too_wide(draft, ("instruments", position, key), getattr(tool, key), read)


def _too_wide(draft: Draft, place: Place, half_width: float | None, read: Iterable[str]) -> Iterator[Finding]:
    """An error as wide as the range of the factor that is read leaves nothing that a reading could tell."""
    spans = {name: draft.numeric[name] for name in read if name in draft.numeric and _has_range(draft.numeric[name])}
    for name, factor in spans.items():
        low, high = _bounds(factor)
        if half_width is not None and half_width >= high - low:
            yield Finding(
                place,
                f"found {show(half_width)}, and '{name}' runs over {show(high - low)}",
                "it must be below the range of the factor that is read",
                "write it as plus or minus in the factor's unit, or read with a better probe",
            )


def _constraints(draft: Draft) -> Iterator[Finding]:
    box = {name: factor for name, factor in draft.numeric.items() if _has_range(factor)}
    usable = []
    for position, constraint in draft.constraints:
        place: Place = ("constraints", position)
        for name in constraint.coef:
            yield from factor_reference(draft, (*place, "coef", name), name)
        if not any(constraint.coef.values()):
            yield Finding(
                (*place, "coef"),
                "no factor has a coefficient other than 0",
                "at least one is needed",
                "write coef = { nozzle_temperature = 1.0 }",
            )
        elif constraint.coef.keys() <= box.keys():
            least = _least(constraint, box)
            if not math.isfinite(least):
                yield Finding(
                    (*place, "coef"),
                    "the numbers are too large to work with",
                    "finite sums are needed",
                    "divide coefficients and limit by the same number",
                )
            elif least > constraint.limit + _slack(constraint.limit):
                yield Finding(
                    (*place, "limit"),
                    f"the sum is never below {show(least)} within the factors' ranges",
                    f"some setting must keep it at or below {show(constraint.limit)}",
                    "raise the limit or widen the ranges",
                )
            else:
                usable.append(constraint)
    if len(usable) > 1 and len(usable) == len(draft.constraints) and not _leave_room(usable, box):
        yield Finding(
            ("constraints",),
            "together they cut off every setting within the factors' ranges",
            "at least one setting must satisfy them all",
            "relax one of them or widen the ranges",
        )


def _has_range(factor: Factor) -> bool:
    return factor.low is not None and factor.high is not None and factor.low < factor.high


def _slack(limit: float) -> float:
    return 1e-9 * max(1.0, abs(limit))


def _least(constraint: Constraint, box: Mapping[str, Factor]) -> float:
    """Return the smallest value of the constraint's sum over the box, which a corner takes."""
    return sum(min(weight * bound for bound in _bounds(box[name])) for name, weight in constraint.coef.items())


def _bounds(factor: Factor) -> tuple[float, float]:
    assert factor.low is not None
    assert factor.high is not None
    return factor.low, factor.high


def _leave_room(constraints: list[Constraint], box: Mapping[str, Factor]) -> bool:
    """
    Whether some setting within the box satisfies every constraint (a linear programme without an aim).

    The factors are scaled to [0, 1] and each constraint to coefficients of at most 1, since solvers work with absolute
    tolerances.
    """
    names = list(box)
    low = np.array([_bounds(box[name])[0] for name in names])
    span = np.array([_bounds(box[name])[1] for name in names]) - low
    weights = np.array([[constraint.coef.get(name, 0.0) for name in names] for constraint in constraints])
    left = np.array([constraint.limit + _slack(constraint.limit) for constraint in constraints]) - weights @ low
    scaled = weights * span
    size = np.abs(scaled).max(axis=1)
    if not (np.isfinite(size) & np.isfinite(left) & (size > 0)).all():
        return True
    solved = linprog(np.zeros(len(names)), A_ub=scaled / size[:, None], b_ub=left / size, bounds=(0, 1))
    return bool(solved.status != 2)  # 2 is: infeasible


def _budget(draft: Draft) -> Iterator[Finding]:
    budget = draft.budget
    if budget is not None and budget.loads is not None and budget.prints is not None and budget.loads > budget.prints:
        yield Finding(
            ("budget", "loads"),
            f"found {budget.loads} loads and {budget.prints} prints",
            "a drying load feeds at least one print",
            "lower loads or raise prints",
        )


def _plate(draft: Draft) -> Iterator[Finding]:
    place: Place = ("plate", "positions")
    positions = draft.source.value(place)
    if not isinstance(positions, tuple) or not positions or any(key[:1] == ("plate",) for key in draft.spoiled):
        return
    twice = [name for name in dict.fromkeys(positions) if positions.count(name) > 1]
    if twice:
        found = f"{quoted(twice)} stands there more than once"
        yield Finding(place, found, "each position has a name of its own", "rename or remove it")
    most = max((one.coupons for _, one in draft.responses if one.per == "coupon"), default=0)
    if len(positions) < most:
        yield Finding(
            place,
            f"found {len(positions)} positions, and a print has {most} coupons",
            "each coupon of a print needs a position",
            "name more positions, or remove the key",
        )


def _oven(draft: Draft) -> Iterator[Finding]:
    factor = drying_factor(factor for _, factor in draft.factors)
    if draft.oven is not None and draft.oven.drying_time is not None and factor is not None:
        yield Finding(
            ("oven", "drying_time"),
            f"found {show(draft.oven.drying_time)} here, and the factor '{factor.name}' sets it load by load",
            "one of the two says how long a load is dried",
            f"remove drying_time here, or the factor '{factor.name}'",
        )


def _shift(draft: Draft) -> Iterator[Finding]:
    budget, keys = draft.budget, ("print_minutes", "hours_per_day", "overnight_prints")
    if budget is not None and not fits_shift(budget) and not any(("budget", key) in draft.spoiled for key in keys):
        given = draft.source.value(("budget", "print_minutes")) is not None
        yield Finding(
            ("budget", "print_minutes" if given else "hours_per_day"),
            f"a print takes {show(budget.print_minutes)} minutes and the shift has {show(60 * budget.hours_per_day)}",
            "a print must end in the shift in which it was started, unless prints may run overnight",
            "shorten the print, lengthen the shift, or write overnight_prints = true where the site allows it",
        )


def _start(draft: Draft) -> Iterator[Finding]:
    start = draft.budget.start if draft.budget is not None else None
    if start is not None and not _FIRST_YEAR <= start.year <= _LAST_YEAR:
        yield Finding(
            ("budget", "start"),
            f"found {show(start)}",
            f"a day of the years {_FIRST_YEAR} to {_LAST_YEAR} is needed",
            "write year-month-day, for example 2027-03-31",
        )
