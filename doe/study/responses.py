"""Rules about responses, their requirements or their aims that need more than one value."""

import itertools
from collections.abc import Iterator

from doe.numerics.strength import FORMULAS
from doe.study.draft import Draft, Finding, Place
from doe.study.spec import Response
from doe.study.wording import quoted, show

_WORTH = ("worthless_below", "worthless_above", "perfect_at")
_IN_ORDER = ("worthless_below", "perfect_at", "worthless_above")
_SPELLED = {"kJ/m2": ("kJ/m2", "kJ/m^2", "kJ/m²")}
"""Units of formulas that are written in more than one way."""
_STRAINS = tuple(name for name, formula in FORMULAS.items() if formula.unit == "%")
_ASKED = {
    "maximise": ("worthless_below", "perfect_at"),
    "minimise": ("worthless_above", "perfect_at"),
    "target": _WORTH,
}
"""The keys that each aim has."""
_READ_OFF = frozenset((
    "um", "\N{MICRO SIGN}m", "\N{GREEK SMALL LETTER MU}m", "mm", "cm", "dm", "m", "in", "inch", "ug", "mg", "g", "kg",
    "deg", "\N{DEGREE SIGN}", "rad", "arcmin", "degC", "\N{DEGREE SIGN}C", "C", "K", "degF", "\N{DEGREE SIGN}F",
))  # fmt: skip
"""Units of length, mass, angle or temperature."""


def ends_at_break(response: Response) -> bool:
    """
    Return whether a break ends what is measured, so that a break in the grips, or none, makes of its value a limit.

    What has no formula and a unit of length, mass, angle or temperature is read off the piece, whole or broken: its value is
    measured whatever became of the piece, and a missing one is missing. All else counts as ended by a break: strengths, forces,
    strains. A deflection at the break in mm has to be declared as a strain, with its formula or in %, to be a limit.

    Parameters
    ----------
    response : Response
    """
    return response.formula is not None or response.unit not in _READ_OFF


def response_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the responses, each on its own."""
    for position, response in draft.responses:
        for rule in _RULES:
            yield from rule(response, ("responses", position))
    yield from _one_kind(draft)


def _measured_unit(response: Response, place: Place) -> Iterator[Finding]:
    if response.kind == "measured" and response.unit is None:
        yield Finding(
            (*place, "unit"),
            "the key is missing",
            "a measured response needs a unit",
            'add it, for example unit = "MPa", or unit = "1" for a quantity without dimension',
        )


def _requirement(response: Response, place: Place) -> Iterator[Finding]:
    low, high = response.at_least, response.at_most
    if low is None and high is None and response.kind != "pass_fail" and response.aim is None:
        measured = response.kind == "measured"
        yield Finding(
            (*place, "at_least"),
            "neither at_least nor at_most is given",
            f"every response needs a requirement{', or a measured one an aim' if measured else ''}",
            "add at_least = ... and/or at_most = ..., from the load of the part or what the customer asked for"
            + ('; where nothing is required, aim = "maximise", "minimise" or "target"' if measured else ""),
        )
    elif low is not None and high is not None and low >= high:
        yield Finding(
            (*place, "at_least"),
            f"found at_least = {show(low)} and at_most = {show(high)}",
            "at_least must be below at_most",
            "swap or correct them",
        )


def _aim(response: Response, place: Place) -> Iterator[Finding]:
    if response.aim is None:
        for key in (*_WORTH, "shape_above"):
            if getattr(response, key) is not None:
                yield Finding(
                    (*place, key), f"found {key} without an aim", "it belongs to an aim", f"add aim, or remove {key}"
                )
    elif response.kind != "measured":
        yield Finding(
            (*place, "aim"),
            f"found an aim on a {response.kind} response",
            "only measured values have one",
            "give it a requirement instead, or none where it passes or fails",
        )
    elif response.at_least is not None or response.at_most is not None:
        yield Finding(
            (*place, "aim"),
            "found an aim beside at_least or at_most",
            "a response has a requirement or an aim",
            "keep the requirement where a value beyond it is refused, else the aim",
        )
    else:
        yield from _worth(response, place)


def _worth(response: Response, place: Place) -> Iterator[Finding]:
    """Yield what is missing or too much beside an aim, and values that are not in order."""
    assert response.aim is not None
    wanted = _ASKED[response.aim]
    for key in _WORTH:
        given = getattr(response, key) is not None
        if given != (key in wanted):
            yield Finding(
                (*place, key),
                f"found {key} with aim = '{response.aim}'" if given else "the key is missing",
                f"that aim has {quoted(wanted)}",
                f"remove {key}, or correct the aim" if given else f"add {key} = ... in the unit of the response",
            )
    if response.shape_above is not None and response.aim != "target":
        yield Finding(
            (*place, "shape_above"),
            f"found shape_above with aim = '{response.aim}'",
            "only a target has a side above it",
            "write shape instead",
        )
    if response.requirement_on != "coupon":
        yield Finding(
            (*place, "requirement_on"),
            f"found '{response.requirement_on}' beside an aim",
            "an aim is about the predicted mean",
            "remove requirement_on",
        )
    found = [(key, value) for key in _IN_ORDER if (value := getattr(response, key)) is not None]
    known = {key for key, _ in found} == set(wanted)
    if known and any(one >= other for (_, one), (_, other) in itertools.pairwise(found)):
        yield Finding(
            (*place, "perfect_at"),
            f"found {', '.join(f'{key} = {show(value)}' for key, value in found)}",
            f"these must ascend: {' < '.join(key for key, _ in found)}",
            "correct the values, or the aim",
        )


def _one_kind(draft: Draft) -> Iterator[Finding]:
    """Yield a finding where some measured responses have an aim and others a requirement."""
    measured = [(position, one) for position, one in draft.responses if one.kind == "measured"]
    aims = [position for position, one in measured if one.aim is not None]
    others = [one for _, one in measured if one.aim is None]
    required = [one.name for one in others if one.at_least is not None or one.at_most is not None]
    if aims and required:
        yield Finding(
            ("responses", aims[0], "aim"),
            f"found an aim here and a requirement on {quoted(required)}",
            "either every measured response has a requirement or every one has an aim",
            "write what is only wished for as a requirement that is just good enough, or what is required as an aim that is "
            "worthless beyond it",
        )


def _grades(response: Response, place: Place) -> Iterator[Finding]:
    where, grades = (*place, "grades"), response.grades
    if response.kind != "graded":
        if grades is not None:
            yield Finding(
                where,
                f"found grades on a {response.kind} response",
                'only kind = "graded" has grades',
                "remove grades, or correct the kind",
            )
    elif grades is None:
        yield Finding(
            where, "the key is missing", "a graded response needs its grades", "add grades = [0, 1, 2, 3, 4, 5]"
        )
    elif len(grades) < 2 or list(grades) != sorted(set(grades)):
        yield Finding(
            where,
            f"found {show(grades)}",
            "two or more different grades in ascending order are needed",
            "list them from worst to best, for example grades = [0, 1, 2, 3, 4, 5]",
        )
    else:
        for key in ("at_least", "at_most"):
            value = getattr(response, key)
            if value is not None and value not in grades:
                yield Finding(
                    (*place, key),
                    f"found {show(value)}",
                    f"it must be one of the grades {show(grades)}",
                    "choose one of them",
                )


def _pass_fail(response: Response, place: Place) -> Iterator[Finding]:
    if response.kind == "pass_fail":
        for key, value, allowed in (("at_least", response.at_least, 1), ("at_most", response.at_most, None)):
            if value is not None and value != allowed:
                yield Finding(
                    (*place, key),
                    f"found {show(value)}",
                    "a pass-fail response is required to pass, nothing else",
                    f"remove {key}",
                )


def _print_mean(response: Response, place: Place) -> Iterator[Finding]:
    if response.requirement_on == "print mean" and response.kind != "measured":
        yield Finding(
            (*place, "requirement_on"),
            f"found 'print mean' on a {response.kind} response",
            "only measured values have a mean",
            "remove requirement_on",
        )


def _one_per_print(response: Response, place: Place) -> Iterator[Finding]:
    if response.per == "print" and response.coupons != 1:
        yield Finding(
            (*place, "coupons"),
            f"found {response.coupons} coupons with per = 'print'",
            "a response per print has one value a print",
            'remove coupons, or write per = "coupon"',
        )


def _formula(response: Response, place: Place) -> Iterator[Finding]:
    if response.formula is None:
        return
    unit = FORMULAS[response.formula].unit
    allowed = _SPELLED.get(unit, (unit,))
    if response.kind != "measured" or response.per != "coupon" or response.unit not in (*allowed, None):
        yield Finding(
            (*place, "formula"),
            f"found '{response.formula}' on a {response.kind} response per {response.per}, unit {response.unit}",
            f"the formula gives a measured value per coupon in {' or '.join(allowed)}",
            "remove formula, or correct kind, per and unit",
        )


def _transform(response: Response, place: Place) -> Iterator[Finding]:
    if response.transform != "log":
        return
    if response.kind != "measured":
        yield Finding(
            (*place, "transform"),
            f"found 'log' on a {response.kind} response",
            "only measured values can be transformed",
            "remove transform",
        )
    for key in ("at_least", "at_most", "perfect_at"):
        value = getattr(response, key)
        if value is not None and value <= 0:
            yield Finding(
                (*place, key),
                f"found {show(value)} with transform = 'log'",
                "it must be above 0",
                f"correct the {'aim' if key == 'perfect_at' else 'requirement'}, or remove transform",
            )


def _zero_when_detached(response: Response, place: Place) -> Iterator[Finding]:
    if response.zero_when_detached and response.kind != "measured":
        yield Finding(
            (*place, "zero_when_detached"),
            f"found true on a {response.kind} response",
            "only a measured value can be zero",
            "remove zero_when_detached; a failed print is counted as such",
        )
    elif response.zero_when_detached and response.formula in _STRAINS:
        yield Finding(
            (*place, "zero_when_detached"),
            f"found true beside formula = '{response.formula}'",
            "what came off carries no load, but its strain is not zero",
            "remove zero_when_detached",
        )


def _grader_check(response: Response, place: Place) -> Iterator[Finding]:
    if response.grader_check is not None and response.kind != "graded":
        yield Finding(
            (*place, "grader_check"),
            f"found {response.grader_check} on a {response.kind} response",
            "only grades are given twice",
            "remove grader_check",
        )


_RULES = (
    _measured_unit,
    _requirement,
    _aim,
    _grades,
    _pass_fail,
    _print_mean,
    _one_per_print,
    _formula,
    _transform,
    _zero_when_detached,
    _grader_check,
)
