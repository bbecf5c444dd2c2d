"""
Do the printers respond alike? A test whether the effect of a factor differs between printers.

Printers are fixed: these ones, not a sample of some. The declared model gives each of them a level of its own and the same
effects. Here the product of every printer's column with the linear column (or the level columns) of a factor is added, and
the F of Kenward and Roger says whether these products are all zero. One factor's products are added at a time. Where they are
there beyond chance, allowing for the number of factors (Holm 1979), they stay, and the other factors are tested again beside
them, so that one difference does not show as another. A model with the products of all factors at once, where it leaves enough
error, gives the test of all together; for single factors it takes too many degrees of freedom: with one factor that differs by
6 standard deviations of a print (as below) it named that factor in 50 % of studies against 82 %. Products that the prints
cannot tell apart are left out and named.

Where each load gives each printer a spool of its own, a spool is one printer in one load, and what differs between spools
cannot be told from a printer that acts differently in that load; for a factor that is fixed within a load it enters the test
in full. With several prints per load and printer nothing in the model allows for that, so the verdict says it.

How often (simulated studies of 30 prints in 6 loads on 3 printers, I-optimal for a quadratic in 3 factors, one of them fixed
within a load; load variance 0, 1 and 3 times that of a print): with printers that act alike the verdict was given in 5.3, 5.5
(1000 studies each, Monte Carlo standard error 0.7) and 5.0 % (600) of studies, a single factor's test was below 0.05 in 4.0 to
6.0 %; with 4 factors and load variance 1 and 0 in 4.8 and 4.5 % (600). Such a plan is not made for this question and finds only
large differences: where the effect of a factor on one printer is 3, 4 and 6 standard deviations of a print larger from low to
high than on the others, the verdict named it in 19, 40 and 82 % of 300 studies (a factor that varies within loads), 31 and
68 % for 4 and 6 (the one that is fixed in them), and named another one in 4 to 6 %. Spools of a printer and load with half and
with all of the variance of a print raised the verdicts to 9 and 7 % of 200 studies (standard error 2).

Lines that were read with errors (``tests/studies/printers.csv``: 96 studies a case, standard error up to 5): on a surface that
bends, a printer whose actual temperatures are all off by the same has another slope. With 30 prints in 6 loads the verdict
was given for printers that act alike in 3 % (exact readings), 5 to 6 % (contact +- 2.5 degC) and 5 to 11 % (+- 5); with 40 in 8,
which resolve more, in 6, 8 to 14 and 24 to 28 %. The verdict says so of factors that are set on the printer. A slope of one
printer that is larger by 1, 2, 3, 4, 6 and 8 standard deviations of a print from low to high was named in 0, 3, 9, 14, 41
and 80 % (30 in 6) and 5, 23, 51, 80, 97 and 100 % (40 in 8): in most studies from about 7, and from 3 to 4.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.model.effects import JointTest, factor_names, holm, joint_test
from doe.model.structure import mixed_model, varies_between_loads
from doe.numerics import intervals, reml, terms
from doe.verdicts import Verdict

Array = NDArray[np.float64]

_ROOM = 4  # error degrees of freedom of the prints that a model with all products must leave
_LEAST = 2  # the same for one with the products of a single factor
_LEVEL = 0.05


@dataclass(frozen=True)
class SlopeDifference:
    """How the effect of a factor on one printer differs from the average of the printers."""

    printer: str
    factor: str
    change: str
    """``low to high``, or ``glass`` for that level against the average of the levels."""
    estimate: float
    """How much more the response changes on this printer; response units, or their logarithm where ``log``."""
    low: float
    """Limits of its interval, for this difference alone."""
    high: float
    dof: float


@dataclass(frozen=True)
class PrinterTest:
    """Whether one factor acts differently on the printers."""

    factor: str
    test: JointTest
    adjusted_p: float | None
    """p value that allows for the number of factors that were tested (Holm 1979); None where there is no test."""
    beside: tuple[str, ...]
    """Factors that were found to differ before, whose products are in the model of this test."""
    fixed_in_loads: bool
    """Whether the factor is constant within every load, so that spools of one printer and load enter in full."""


@dataclass(frozen=True)
class PrinterEffects:
    """Whether factors act differently on the printers, for one response."""

    response: str
    unit: str
    log: bool
    """Whether the values are logarithms of the response."""
    level: float
    printers: tuple[str, ...]
    factors: tuple[PrinterTest, ...]
    together: JointTest | None
    """All factors at once; None where no model could hold them all."""
    differences: tuple[SlopeDifference, ...]
    """Of the factors whose products could all be estimated."""
    dropped: tuple[str, ...]
    """Products that the prints cannot tell apart from the rest of the model."""
    spools: bool
    """Whether some load has several prints of one printer, which then share what a spool does."""
    reason: str
    """Why nothing was tested; empty where something was."""


@dataclass(frozen=True)
class _Products:
    """The products of the printers' columns with one factor's: those that can be estimated, and labels of all."""

    index: int
    factor: str
    levels: tuple[str, ...]
    """Names of the levels with a column; empty for a numeric factor."""
    columns: Array
    labels: tuple[str, ...]
    dropped: tuple[str, ...]
    fixed_in_loads: bool


@dataclass(frozen=True)
class _Judged:
    """A factor's products with their test, its p value that allows for their number, and what else was in the model."""

    products: _Products
    test: JointTest
    adjusted: float | None
    beside: tuple[str, ...]


def printer_effects(data: ResponseData, random: Sequence[str], level: float = 0.95) -> PrinterEffects:
    """
    Test whether the effects of the factors differ between printers.

    Parameters
    ----------
    data : ResponseData
    random : sequence of str
        Names of the variance components of the fit before the residual.
    level : float
        Of the intervals.

    Returns
    -------
    PrinterEffects
        Without tests, and with the reason, where there is one printer or too few prints.
    """
    reason = _obstacle(data)
    products = [] if reason else list(_products(data))
    usable = [one for one in products if one.labels]
    dropped = tuple(label for one in products for label in one.dropped)
    if not reason and not usable:
        reason = "the prints cannot tell apart what a factor does on one printer and on another"
    judged = [] if reason else _step_down(data, random, usable)
    if judged and all(one.adjusted is None for one in judged):
        reason = "; ".join(sorted({one.test.reason for one in judged}))
    judged.sort(key=lambda one: one.products.index)
    return PrinterEffects(
        response=data.response.name,
        unit=data.response.display_unit,
        log=data.response.transform == "log",
        level=level,
        printers=data.printers,
        factors=tuple(
            PrinterTest(one.products.factor, one.test, one.adjusted, one.beside, one.products.fixed_in_loads)
            for one in judged
        ),
        together=None if reason else _all_at_once(data, random, usable),
        differences=() if reason else tuple(_all_differences(data, random, judged, level)),
        dropped=dropped,
        spools=_shares_spools(data),
        reason=reason,
    )


def _obstacle(data: ResponseData) -> str:
    if len(data.printers) < 2:
        return "all prints come from one printer"
    if data.limits is not None:
        return "some values are only limits, which this test does not take"
    return ""


def _shares_spools(data: ResponseData) -> bool:
    """Whether some load has several prints of one printer."""
    if data.load is None:
        return False
    return bool(np.bincount(data.load * max(len(data.printers), 1) + data.printer).max() > 1)


def _products(data: ResponseData) -> Iterator[_Products]:
    """Yield the products of every factor that the model has by itself."""
    owners = [term for term, _ in terms.column_terms(data.model, data.levels)]
    size = len(data.printers) - 1
    contrasts = np.vstack([np.eye(size), -np.ones(size)])[data.printer]
    fixed = varies_between_loads(data)
    for index, factor in factor_names(data).items():
        own = [column for column, term in enumerate(owners) if term == (index,)]
        named = [data.labels[column] for column in own]
        made = (contrasts[:, :, None] * data.X[:, None, own]).reshape(len(data.names), -1)
        labels = [f"printer {printer} * {label}" for printer in data.printers[:size] for label in named]
        kept = _estimable(data.X, made)
        yield _Products(
            index=index,
            factor=factor,
            levels=tuple(label.partition(" [")[2].rstrip("]") for label in named) if data.levels[index] else (),
            columns=made[:, kept],
            labels=tuple(labels[column] for column in kept),
            dropped=tuple(label for column, label in enumerate(labels) if column not in kept),
            fixed_in_loads=bool(fixed[own].all()),
        )


def _estimable(X: Array, columns: Array) -> list[int]:
    """Return which columns a model can take in besides its own and the ones before."""
    kept: list[int] = []
    for column in range(columns.shape[1]):
        wider = np.hstack([X, columns[:, [*kept, column]]])
        if terms.rank(wider) == wider.shape[1]:
            kept.append(column)
    return kept


def _step_down(data: ResponseData, random: Sequence[str], usable: Sequence[_Products]) -> list[_Judged]:
    """Test one factor's products at a time, and the other factors again beside each one that was found."""
    found: list[_Judged] = []
    left, floor = list(usable), 0.0
    while left:
        named = [one.products for one in found]
        beside = tuple(one.factor for one in named)
        fits = [_wider_fit(data, random, [*named, one], _LEAST) for one in left]
        tests = [
            _test(one.factor, _places(data, [*named, one]), _labels(data, [*named, one]), fit)
            for one, fit in zip(left, fits, strict=True)
        ]
        adjusted = _allowing_for_number(tests, floor)
        judged = [_Judged(*each, beside) for each in zip(left, tests, adjusted, strict=True)]
        best = min(judged, key=lambda one: 1.0 if one.adjusted is None else one.adjusted)
        if best.adjusted is None or best.adjusted >= _LEVEL:
            return [*found, *judged]
        found.append(best)
        left = [one for one in left if one is not best.products]
        floor = best.adjusted
    return found


def _allowing_for_number(tests: Sequence[JointTest], floor: float) -> list[float | None]:
    """Return Holm's p values of what is still to be judged, no smaller than those of what was found before."""
    adjusted = iter(holm([test.p for test in tests if test.p is not None]))
    return [None if test.p is None else max(floor, next(adjusted)) for test in tests]


def _labels(data: ResponseData, added: Sequence[_Products]) -> tuple[str, ...]:
    return (*data.labels, *(label for one in added for label in one.labels))


def _places(data: ResponseData, added: Sequence[_Products]) -> range:
    """Return the columns of the last products in a model with all of these."""
    end = len(_labels(data, added))
    return range(end - len(added[-1].labels), end)


def _all_at_once(data: ResponseData, random: Sequence[str], usable: Sequence[_Products]) -> JointTest | None:
    fit = _wider_fit(data, random, usable, _ROOM)
    if isinstance(fit, str):
        return None
    labels = _labels(data, usable)
    test = _test("all factors", range(data.X.shape[1], len(labels)), labels, fit)
    return None if test.p is None else test


def _all_differences(
    data: ResponseData, random: Sequence[str], judged: Sequence[_Judged], level: float
) -> Iterator[SlopeDifference]:
    """Yield the differences: of what was found from a model with all that was found, of the others from their own."""
    found = [one.products for one in judged if one.adjusted is not None and one.adjusted < _LEVEL]
    for one in judged:
        others = [part for part in found if part is not one.products]
        fit = _wider_fit(data, random, [*others, one.products], _LEAST)
        if isinstance(fit, reml.MixedFit):
            yield from _differences(data, one.products, fit, _places(data, [*others, one.products])[0], level)


def _test(name: str, columns: Sequence[int], labels: tuple[str, ...], fit: reml.MixedFit | str) -> JointTest:
    if isinstance(fit, str):
        return JointTest(name, tuple(labels[column] for column in columns), len(columns), None, None, None, fit)
    return joint_test(name, columns, labels, fit, np.zeros(len(labels), dtype=bool))


def _wider_fit(data: ResponseData, random: Sequence[str], added: Sequence[_Products], room: int) -> reml.MixedFit | str:
    """Fit the model with more columns, or say why it cannot be."""
    X = np.hstack([data.X, *(one.columns for one in added)])
    if terms.rank(X) < X.shape[1]:
        return "the prints cannot tell apart what the factors do on each printer"
    both = terms.rank(np.hstack([X, data.load_columns]))
    if len(X) - both < room:
        return f"the prints leave {max(len(X) - both, 0)} error degrees of freedom, and {room} are wanted"
    if "load" in random and both == X.shape[1]:
        return "no load error degree of freedom is left beside what the factors do on each printer"
    try:
        return mixed_model(replace(data, X=X), random)
    except ValueError as error:
        return str(error)


def _differences(
    data: ResponseData, one: _Products, fit: reml.MixedFit, first: int, level: float
) -> Iterator[SlopeDifference]:
    """Yield how each printer differs from their average; nothing where a product is missing, for it was taken as zero."""
    if one.dropped:
        return
    changes, times = (one.levels, 1.0) if one.levels else (("low to high",), 2.0)
    count = len(data.printers)
    of_printer = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    for code, printer in enumerate(data.printers):
        rows = np.zeros((len(changes), len(fit.estimates)))
        own = np.kron(of_printer[[code]], np.eye(len(changes)))
        rows[:, first : first + own.shape[1]] = times * own
        found = reml.contrast(fit, rows)
        limits = intervals.mean_interval(found.estimates, found.se, found.dof, level)
        for place, change in enumerate(changes):
            low, high = limits[place]
            estimate, dof = float(found.estimates[place]), float(found.dof[place])
            yield SlopeDifference(printer, one.factor, change, estimate, float(low), float(high), dof)


def verdicts(found: PrinterEffects) -> Iterator[Verdict]:
    """Yield the factors that act differently on the printers, by more than chance with that many factors tested."""
    tested = sum(one.adjusted_p is not None for one in found.factors)
    for one in found.factors:
        if one.adjusted_p is None or one.adjusted_p >= _LEVEL:
            continue
        test, own = one.test, [difference for difference in found.differences if difference.factor == one.factor]
        widest = max(own, key=lambda difference: abs(difference.estimate), default=None)
        chance = "< 0.001" if one.adjusted_p < 0.001 else f"= {one.adjusted_p:.2g}"
        figures = f"F({test.ndf}, {test.ddf:.3g}) = {test.f:.3g}, p {chance}"
        allowed = f" with {tested} factors tested" if tested > 1 else ""
        yield Verdict(
            "printers respond differently",
            f"{one.factor} does not do the same on every printer ({figures}{allowed})"
            + (f": {_in_words(widest, found)}" if widest else "")
            + (_spools(one.fixed_in_loads) if found.spools else "")
            + (_OFFSET if not one.fixed_in_loads and widest and widest.change == "low to high" else ""),
            _what_to_do(one, widest, found.spools),
            found.response,
        )


def _what_to_do(one: PrinterTest, widest: SlopeDifference | None, spools: bool) -> str:
    """Return the next step: a factor that is fixed in a load is not set on a printer, so there is nothing to calibrate on it."""
    own = "choose settings for each printer rather than one for all; "
    if not one.fixed_in_loads:
        where = f" on {widest.printer}" if widest else " on each printer"
        return f"{own}check the calibration of {one.factor}{where}, and add prints at its low and high end on each printer"
    shared = ", with spools that printers take turns with" if spools else ""
    return f"{own}add loads at the low and high end of {one.factor} in which every printer prints{shared}"


def _in_words(one: SlopeDifference, found: PrinterEffects) -> str:
    """Return the difference with its interval; of logarithms as a ratio."""
    change = "from its low to its high end" if one.change == "low to high" else f"at {one.change}"
    values = (one.estimate, one.low, one.high)
    size, low, high = (f"{np.exp(value):.3g}" if found.log else f"{value:+.3g}" for value in values)
    by = f"by a factor of {size}" if found.log else f"by {size} {found.unit}".rstrip()
    return (
        f"{change} the response on {one.printer} changes {by} compared with what it does on the average of the printers "
        f"({100 * found.level:g} % interval {low} to {high})"
    )


_OFFSET = (
    "; where the surface bends, actual values on one printer that are all off by the same, as a probe with poor contact leaves "
    "them, look like this too"
)


def _spools(fixed: bool) -> str:
    """Return what to say about spools where several prints of one load share a printer."""
    if fixed:
        return (
            "; it may as well be the spools: where each load gave each printer its own spool, this factor changes only "
            "together with the spool"
        )
    return "; where each load gave each printer its own spool, part of it may as well be the spools"
