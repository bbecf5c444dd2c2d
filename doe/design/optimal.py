"""Searched plans: the settings of every print in every load at once, on the increments."""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design import check, region
from doe.design.purpose import Choice, Size, coefficient_counts, load_products
from doe.errors import InputRefused, Problem
from doe.numerics import search, terms
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

PAIRS = 3
"""Settings of a map that are printed twice in one load, for pure error."""
STARTS = 100
"""Random designs that a search for a plan begins with."""
_AS_GOOD = 0.98
_FINE = 5
_POTENTIAL_SD = 0.5
"""
Prior standard deviation of the coefficient of a term that may matter, in print standard deviations.

DuMouchel and Jones (1994) scale potential columns to a range of 1 and recommend a standard deviation of 1 there; a product of
two factors at -1 and +1 has a range of 2.
"""


@dataclass(frozen=True)
class Prints:
    """
    Settings with the loads and printers that they are made on.

    Parameters
    ----------
    coded : ndarray of shape (n, k)
        Coded units; level indices for categorical factors.
    kinds : list of str, length n
        What each setting is: corner, centre, axial, edge, reference.
    load, printer : ndarray of shape (n,)
        Codes; -1 where there is none.
    """

    coded: Array
    kinds: list[str]
    load: Codes
    printer: Codes
    kept: float = 100.0
    """Efficiency that the increments leave, by the criterion of the search, in percent."""


def make(study: Study, choice: Choice, centre: int, seed: int) -> Prints:
    """
    Search for the settings of a plan.

    Loads are as equal as can be, printers alternate within them, a map has three replicate pairs in different loads where the
    error degrees of freedom allow, and every reference setting is in the plan.

    Parameters
    ----------
    study : Study
    choice : Choice
        With a size.
    centre : int
        Prints at the middle of all factors that change from print to print.
    seed : int

    Raises
    ------
    InputRefused
        Where no plan of this size satisfies the constraints.
    """
    assert choice.size is not None
    load = search.even_loads(choice.size.prints, choice.size.loads) if choice.size.loads else None
    printer = printers_in_turn(study, choice.size.prints)
    fixed, what = forced(study, load, choice.size.prints, centre)
    reserved = np.flatnonzero(~np.isnan(fixed).all(axis=1))
    pairs, printer = _pairs(study, choice, load, printer, reserved)
    task = search.Task(
        terms=scale.model_terms(study),
        levels=scale.level_counts(study),
        runs=choice.size.prints,
        grids=region.grids(study, two_levels=choice.purpose == "screen"),
        load=load,
        hard=region.hard(study) if load is not None else (),
        blocks=check.block_columns([str(code) if code >= 0 else "" for code in printer.tolist()]),
        limits=region.limits(study),
        fixed=fixed if len(reserved) else None,
        pairs=pairs,
        moments=region.moments(study, scale.model_terms(study)),
        criterion={"d-optimal": "d", "i-optimal": "i"}.get(choice.kind, "compound"),  # type: ignore[arg-type]
    )
    if choice.purpose == "screen":
        task = with_potential_terms(study, task)
    found = run(task, seed)
    kinds = [what.get(row) or region.position(study, found.settings[row]) for row in range(len(found.settings))]
    codes = np.full(len(kinds), -1, dtype=np.int64) if load is None else load
    return Prints(found.settings, kinds, codes, printer, _kept_by_increments(task, found, seed))


def _kept_by_increments(task: search.Task, found: search.Found, seed: int) -> float:
    """Return the efficiency relative to a plan without increments; 100 where they leave five values or more and a middle."""
    coarse = [
        not count and len(grid) > 2 and (len(grid) < _FINE or np.abs(grid).min() > 1e-9)
        for grid, count in zip(task.grids, task.levels, strict=True)
    ]
    if not any(coarse):
        return 100.0
    free = tuple(np.linspace(-1, 1, 21) if one else grid for one, grid in zip(coarse, task.grids, strict=True))
    finer = _searched_or_none(replace(task, grids=free), seed)
    return 100.0 if finer is None else min(100.0, 100 * _efficiency(task, found, finer))


def run(task: search.Task, seed: int) -> search.Found:
    """
    Search; what the search cannot do is refused.

    A plan that keeps to the ends and the middle of each factor is taken where it is as good within 2 %: fewer settings are
    fewer mistakes, and levels of a load that come again.
    """
    try:
        exact = search.search(task, starts=STARTS, seed=seed)
        few = region.few(task.grids, task.levels)
        curved = any(count > 2 for term in task.terms for count in Counter(term).values())
        if curved or all(len(one) == len(other) for one, other in zip(few, task.grids, strict=True)):
            return exact
        plain = _searched_or_none(replace(task, grids=few), seed)
        return exact if plain is None or _efficiency(task, plain, exact) < _AS_GOOD else plain
    except ValueError as error:
        raise InputRefused(
            Problem(
                "the search for a plan",
                str(error),
                "a plan of this size that satisfies the constraints and holds the forced prints",
                "give more prints, relax [[constraints]], or declare a smaller [model] terms",
            )
        ) from None


def _searched_or_none(task: search.Task, seed: int) -> search.Found | None:
    """Return the plan, or None where constraints leave too few of its values."""
    try:
        return search.search(task, starts=STARTS, seed=seed)
    except ValueError:
        return None


def _efficiency(task: search.Task, one: search.Found, other: search.Found) -> float:
    """Return how good one plan is relative to another, by the task's criterion."""
    if task.criterion == "i":
        return other.average_variance / one.average_variance
    blocks = 0 if task.blocks is None else task.blocks.shape[1]
    columns = len(terms.column_terms(task.terms, task.levels)) + blocks if task.criterion == "d" else 1
    return float(np.exp((one.score - other.score) / columns))


def printers_in_turn(study: Study, prints: int) -> Codes:
    """Return a printer's code for each print, in turn; -1 where the study names none."""
    count = len(study.printers)
    return np.arange(prints, dtype=np.int64) % count if count else np.full(prints, -1, dtype=np.int64)


def forced(study: Study, load: Codes | None, prints: int, centre: int) -> tuple[Array, dict[int, str]]:
    """
    Return the cells of a plan that are given: reference settings and centre prints.

    Parameters
    ----------
    study : Study
    load : ndarray of shape (n,) or None
    prints, centre : int

    Returns
    -------
    fixed : ndarray of shape (n, k)
        Coded; NaN where the search is free. Reference prints share a load two by two.
    what : dict of int to str
        What each given row is.

    Raises
    ------
    InputRefused
        Where the given prints do not fit into the loads.
    """
    fixed = np.full((prints, len(study.factors)), np.nan)
    what: dict[int, str] = {}
    settings = [region.coded_setting(study, one.setting) for one in study.references for _ in range(one.prints)]
    own = list(region.hard(study))
    for setting in settings:
        row = _free_row(fixed, list(what), load, setting, own)
        if row is None:
            raise InputRefused(
                Problem(
                    "study.toml, [[references]]",
                    f"{len(settings)} reference prints do not fit into the loads",
                    "a load has one setting of what is fixed in it",
                    "ask for fewer reference prints, or give more loads",
                )
            )
        fixed[row], what[row] = setting, "reference"
    middle = [index for index, factor in enumerate(study.factors) if factor.is_numeric and index not in own]
    free = [row for row in _spread(load, prints) if np.isnan(fixed[row]).all()]
    for row in free[:centre]:
        fixed[row, middle] = 0.0
        what[row] = "centre"
    return fixed, what


def _free_row(fixed: Array, given: list[int], load: Codes | None, setting: Array, own: list[int]) -> int | None:
    """
    Return a row for a reference print: two in a load before another load is taken, printers in turn.

    A load that holds a reference has its setting of what is fixed in it; every further load that is given up so costs the
    judgement of the load factors.
    """
    free = [row for row in range(len(fixed)) if np.isnan(fixed[row]).all()]
    codes = np.arange(len(fixed)) if load is None else load
    fits = [row for row in free if _fits(fixed[codes == codes[row]][:, own], setting[own])]
    if not fits:
        return None
    mates = [sum(codes[row] == codes[other] for other in given) for row in fits]
    begun = [row for row, count in zip(fits, mates, strict=True) if count == 1]
    chosen = begun or [row for row, count in zip(fits, mates, strict=True) if count == min(mates)]
    place = [int((codes[:row] == codes[row]).sum()) for row in chosen]
    # The second of a load stands beside the first, which is the next printer's; the first of the next load goes on from there.
    return min(zip([(p - len(given)) % len(fixed) for p in place], chosen, strict=True))[1]


def _fits(mates: Array, setting: Array) -> bool:
    known = mates[~np.isnan(mates).all(axis=1)]
    return bool(np.allclose(known, setting, equal_nan=True)) if len(known) and len(setting) else True


def _spread(load: Codes | None, prints: int) -> list[int]:
    """Return the rows so that neighbours come from different loads."""
    if load is None:
        return list(range(prints))
    place = np.array([int((load[:row] == load[row]).sum()) for row in range(prints)])
    return [int(row) for row in np.lexsort((load, place))]


def _pairs(
    study: Study, choice: Choice, load: Codes | None, printer: Codes, reserved: Codes
) -> tuple[tuple[tuple[int, int], ...], Codes]:
    """
    Return the replicate pairs of a map, and the printers.

    There are three pairs, fewer where these would take more than about half of the error degrees of freedom, of which lack of
    fit needs some. The two prints of a pair come from one load and one printer: between two printers there is the printers'
    difference, which leaves nothing of the pair for pure error. Where a load gives each printer one print at most, the pair
    goes to one of them.
    """
    size: Size | None = choice.size
    assert size is not None
    if choice.purpose == "screen":
        return (), printer
    coefficients, between = coefficient_counts(study)
    spare = size.prints - coefficients - max(size.loads - between, 0)
    wanted = max(0, min(PAIRS, (spare + 1) // 2))
    rows = np.zeros(size.prints, dtype=np.int64) if load is None else load
    of_one_printer = [row for row in range(size.prints) if printer[row] == _most_frequent(printer[rows == rows[row]])]
    others = sorted(set(range(size.prints)) - set(of_one_printer))
    taken = [int(row) for row in reserved]
    for count in range(wanted, 0, -1):
        for unusable in (others, []):
            try:
                pairs = search.replicate_pairs(rows, count, (*taken, *unusable))
            except ValueError:
                continue
            dealt = printer.copy()
            dealt[[j for _, j in pairs]] = printer[[i for i, _ in pairs]]
            return pairs, dealt
    return (), printer


def _most_frequent(codes: Codes) -> int:
    return int(np.argmax(np.bincount(codes + 1))) - 1


def with_potential_terms(study: Study, task: search.Task) -> search.Task:
    """
    Return a task that also guards against the two-factor interactions that the model leaves out.

    Products of a load factor and a print factor count as fully as the model, since drying acts through them; the other
    interactions are potential terms with a prior variance (DuMouchel and Jones, "A simple Bayesian modification of D-optimal
    designs", Technometrics 36 (1994) 37). Where there are too few prints for that, all of them are potential.
    """
    pairs = [term for term in terms.standard_terms("interactions", task.levels) if len(term) == 2]
    extra = [term for term in pairs if term not in task.terms]
    sure = [term for term in extra if term in load_products(study)]
    blocks = 0 if task.blocks is None else task.blocks.shape[1]
    if len(terms.column_terms((*task.terms, *sure), task.levels)) + blocks >= task.runs:
        sure = []
    potential = [term for term in extra if term not in sure]
    model = (*task.terms, *sure, *potential)
    columns = terms.column_terms(model, task.levels)
    prior = np.array([1 / _POTENTIAL_SD**2 if column[0] in potential else 0.0 for column in columns])
    return replace(task, terms=model, prior=prior, moments=region.moments(study, model))
