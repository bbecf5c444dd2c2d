"""Rules about responses and their requirements that need more than one value."""

from collections.abc import Iterator

from doe.study.draft import Draft, Finding, Place
from doe.study.spec import Response
from doe.study.wording import show


def response_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the responses, each on its own."""
    for position, response in draft.responses:
        for rule in _RULES:
            yield from rule(response, ("responses", position))


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
    if low is None and high is None and response.kind != "pass_fail":
        yield Finding(
            (*place, "at_least"),
            "neither at_least nor at_most is given",
            "every response needs a requirement",
            "add at_least = ... and/or at_most = ..., from the load of the part or what the customer asked for",
        )
    elif low is not None and high is not None and low >= high:
        yield Finding(
            (*place, "at_least"),
            f"found at_least = {show(low)} and at_most = {show(high)}",
            "at_least must be below at_most",
            "swap or correct them",
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
    fits = response.kind == "measured" and response.per == "coupon" and response.unit in ("MPa", None)
    if response.formula is not None and not fits:
        yield Finding(
            (*place, "formula"),
            f"found '{response.formula}' on a {response.kind} response per {response.per}, unit {response.unit}",
            "the formula gives a measured stress per coupon in MPa",
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
    for key in ("at_least", "at_most"):
        value = getattr(response, key)
        if value is not None and value <= 0:
            yield Finding(
                (*place, key),
                f"found {show(value)} with transform = 'log'",
                "it must be above 0",
                "correct the requirement, or remove transform",
            )


def _zero_when_detached(response: Response, place: Place) -> Iterator[Finding]:
    if response.zero_when_detached and response.kind != "measured":
        yield Finding(
            (*place, "zero_when_detached"),
            f"found true on a {response.kind} response",
            "only a measured value can be zero",
            "remove zero_when_detached; a failed print is counted as such",
        )


_RULES = (
    _measured_unit,
    _requirement,
    _grades,
    _pass_fail,
    _print_mean,
    _one_per_print,
    _formula,
    _transform,
    _zero_when_detached,
)
