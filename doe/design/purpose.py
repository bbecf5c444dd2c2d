"""From a purpose with its budget to a kind of plan of a certain size, with the reasons in words."""

import itertools
import math
from dataclasses import dataclass, replace

from doe.design.check import Strata
from doe.design.request import OPTIMAL, Kind, PlanRequest, Purpose
from doe.errors import InputRefused, Problem
from doe.numerics import terms
from doe.study import scale
from doe.study.spec import Study

LOAD_DOF, PRINT_DOF = 3, 5
"""Error degrees of freedom below which a plan is lean: between loads and between prints."""
SECOND_ROUND_FROM = 36
"""Prints from which a second round around the first answer is planned for."""
HELD_LOADS = 3

_AIMS: dict[str, str] = {
    "compound": "estimate every coefficient well and to predict well over the whole region",
    "d-optimal": "estimate the coefficients as precisely as so many prints can",
    "screen": "estimate the model well and to keep pairs of factors outside it from hiding in its coefficients",
    "i-optimal": "predict with the least variance, on average over the region",
}
_TESTED_SIZES = {
    ("screen", 2): ((16, 6), (20, 8)),
    ("screen", 3): ((16, 6), (20, 8)),
    ("screen", 4): ((20, 6), (24, 8)),
    ("screen", 5): ((20, 6), (24, 8)),
    ("screen", 6): ((24, 6), (30, 8)),
    ("map", 2): ((20, 6), (30, 8)),
    ("map", 3): ((20, 6), (30, 8)),
    ("map", 4): ((24, 6), (30, 8)),
    ("map", 5): ((30, 6), (42, 8)),
    ("map", 6): ((42, 6), (48, 8)),
}
"""
Prints and loads, lean and good, by purpose and number of factors, one of them fixed in a load.

Simulated by this project with equal load and print variances. Lean: 3 load and 5 print error degrees of freedom, and 80 %
power for a print factor's effect of 2 print standard deviations. Good: 1.5 standard deviations; when screening, 80 % power for
a load factor's effect of 3; when mapping, 5 load error degrees of freedom and an average prediction variance of 0.6 or less.
"""


@dataclass(frozen=True)
class Size:
    """How large a plan is; 0 loads where prints do not share drying loads."""

    prints: int
    loads: int


@dataclass(frozen=True)
class Choice:
    """What will be planned, and why."""

    kind: Kind
    purpose: Purpose
    size: Size | None
    """Of a searched plan; a named family brings its own number of prints."""
    held_back: Size | None = None
    """What is kept for a second round."""


def purpose_of(study: Study, request: PlanRequest) -> Purpose:
    """
    Return the purpose: the one asked for, else the one that the declared model is for.

    Raises
    ------
    InputRefused
        Where the declared model cannot serve the purpose that was asked for.
    """
    curved = any(len(term) > len(set(term)) for term in scale.model_terms(study))
    if request.purpose == "map" and not curved and any(factor.is_numeric for factor in study.factors):
        raise _misfit(
            "map",
            "it has no squares, so no setting within the ranges can come out as the best",
            'terms = "quadratic", or a list with squares such as "nozzle_temperature^2"',
        )
    if request.purpose == "screen" and curved:
        raise _misfit(
            "screen",
            "it has squares, which prints at the low and high settings alone cannot estimate",
            'terms = "main" or "interactions", or a list without squares',
        )
    return request.purpose or ("map" if curved else "screen")


def choose(study: Study, request: PlanRequest) -> Choice:
    """
    Decide what to plan.

    Parameters
    ----------
    study : Study
    request : PlanRequest
        With the number of prints, or a study with a budget, where the kind is a searched one.

    Returns
    -------
    Choice

    Raises
    ------
    InputRefused
        Where the purpose does not fit the declared model, or the budget is too small for it.
    """
    purpose = purpose_of(study, request)
    kind: Kind = request.kind or ("compound" if purpose == "map" else "d-optimal")
    if kind not in OPTIMAL:
        _require_no_size(kind, request)
        return Choice(kind, purpose, None)
    whole = _asked_size(study, request)
    held = None if request.one_round or purpose == "screen" or request.kind else _second_round(study, whole)
    size = whole if held is None else Size(whole.prints - held.prints, whole.loads - held.loads)
    _require_loads(study, size)
    _require_room(study, size, "--prints" if request.prints else "study.toml, budget.prints")
    return Choice(kind, purpose, size, held)


def reasons(choice: Choice, counted: Strata, *, numeric: bool) -> tuple[str, ...]:
    """
    Say in two sentences why this plan; in a third what is held back for a second round.

    Parameters
    ----------
    choice : Choice
    counted : Strata
        Of the plan that came of it.
    numeric : bool
        Whether some factor has a low and a high.
    """
    if choice.size is None:
        return ()
    loads = f" in {counted.loads} drying loads" if counted.loads else ""
    aim = "screen" if choice.purpose == "screen" and choice.kind == "d-optimal" else choice.kind
    question = {"map": "where the best setting is", "screen": "which factors matter"}[choice.purpose]
    levels = " at the low and high settings" if choice.purpose == "screen" and numeric else ""
    first = f"To find {question}, {counted.prints} prints{levels}{loads} were chosen to {_AIMS[aim]}."
    own = counted.loads == counted.prints  # a load of its own for each print: both are the same degrees of freedom
    between = "" if own else f"{counted.load_dof} error degrees of freedom between loads and " if counted.loads else ""
    among = f"{counted.print_dof} {'' if between else 'error degrees of freedom '}between prints"
    second = f"They estimate the {counted.coefficients} coefficients of model and printers and leave {between}{among}."
    held = choice.held_back
    if held is None:
        return first, second
    third = (
        f"Of the budget, {held.prints} prints in {held.loads} loads are held back for a second round around the first answer "
        f"(doe extend): in most simulations in which the truth was not quadratic that found better settings; "
        f"--one-round plans all prints now."
    )
    return first, second, third


def needs_size(study: Study, request: PlanRequest) -> bool:
    """Whether neither the request nor the budget says how many prints a searched plan may have."""
    searched = request.kind is None or request.kind in OPTIMAL
    return searched and request.prints is None and study.budget.prints is None


def proposals(study: Study, request: PlanRequest) -> tuple[Size, Size]:
    """
    Return a lean and a good size for the purpose and the declared model.

    From the tested sizes where they apply (a full standard model, two to six numeric factors, one of them fixed in a load, up to
    three printers), else from the degrees of freedom that the same rules ask for.
    """
    purpose = purpose_of(study, request)
    tested = _TESTED_SIZES.get((purpose, len(study.factors)))
    standard = study.model.terms == ("quadratic" if purpose == "map" else "main")
    plain = all(factor.is_numeric for factor in study.factors) and len(study.load_factors) == 1
    if tested and standard and plain and len(study.printers) <= 3 and not study.references:
        lean, good = (_with_print_dof(study, Size(*size)) for size in tested)
    else:
        lean, good = _counted(study, LOAD_DOF, PRINT_DOF), _counted(study, LOAD_DOF + 2, 2 * PRINT_DOF)
    if request.loads is not None:
        lean, good = replace(lean, loads=request.loads), replace(good, loads=request.loads)
    return lean, good


def coefficient_counts(study: Study) -> tuple[int, int]:
    """Return how many coefficients the model and the printers have, and how many of them only loads can estimate."""
    counts, model = scale.level_counts(study), scale.model_terms(study)
    own = {index for index, factor in enumerate(study.factors) if factor.change == "load"}
    between = [term for term in model if set(term) <= own]
    printers = max(len(study.printers) - 1, 0)
    return (
        len(terms.column_terms(model, counts)) + printers,
        len(terms.column_terms(between, counts)),
    )


def default_loads(study: Study, prints: int) -> int:
    """Return as many drying loads as leave three error degrees of freedom; 0 where no factor is fixed in a load."""
    return min(prints, coefficient_counts(study)[1] + LOAD_DOF) if study.load_factors else 0


def load_products(study: Study) -> tuple[terms.Term, ...]:
    """Return the products of a load factor and a print factor, which drying would act through."""
    own = [factor.change == "load" for factor in study.factors]
    pairs = itertools.combinations(range(len(own)), 2)
    return tuple(pair for pair in pairs if own[pair[0]] != own[pair[1]])


def _asked_size(study: Study, request: PlanRequest) -> Size:
    prints = request.prints or study.budget.prints
    if prints is None:
        lean, good = proposals(study, request)
        raise InputRefused(
            Problem(
                "study.toml, [budget]",
                "the key prints is missing, so that no size of plan is known",
                f"lean: {lean.prints} prints in {lean.loads} loads; good: {good.prints} in {good.loads}",
                f"add it, or run 'doe plan --prints {good.prints} --loads {good.loads}'",
            )
        )
    loads = request.loads if request.loads is not None else study.budget.loads
    if loads is None:
        loads = default_loads(study, prints)
    if loads > prints:
        raise InputRefused(
            Problem(
                "--loads" if request.loads is not None else "study.toml, budget.loads",
                f"{loads} drying loads for {prints} prints",
                "a drying load feeds at least one print",
                "give fewer loads or more prints",
            )
        )
    return Size(prints, loads)


def _with_print_dof(study: Study, size: Size) -> Size:
    """Return a tested size with so many more prints that further printers leave the error degrees of freedom they should."""
    coefficients, between = coefficient_counts(study)
    return replace(size, prints=max(size.prints, coefficients + max(size.loads - between, 0) + PRINT_DOF))


def _counted(study: Study, load_dof: int, print_dof: int) -> Size:
    """Return the smallest size with these error degrees of freedom and equal loads."""
    coefficients, between = coefficient_counts(study)
    reference = sum(one.prints for one in study.references)
    if not study.load_factors and study.budget.loads is None:
        return Size(coefficients + print_dof + reference, 0)
    loads = study.budget.loads or between + load_dof
    loads += loads % 2 if study.budget.loads is None else 0
    least = coefficients + (loads - between) + print_dof + reference
    return Size(math.ceil(least / loads) * loads, loads)


def _second_round(study: Study, whole: Size) -> Size | None:
    """Return a third of the prints in three loads, where what is left for the first round still judges the model."""
    if whole.prints < SECOND_ROUND_FROM or whole.loads <= HELD_LOADS:
        return None
    held = Size(round(whole.prints / 3), HELD_LOADS)
    coefficients, between = coefficient_counts(study)
    prints, load_dof = whole.prints - held.prints, whole.loads - held.loads - between
    enough = load_dof >= LOAD_DOF and prints - coefficients - load_dof >= PRINT_DOF
    return held if enough else None


def _require_room(study: Study, size: Size, where: str) -> None:
    """Refuse fewer prints than coefficients, naming what would be needed."""
    coefficients, between = coefficient_counts(study)
    least = coefficients + max(size.loads - between, 0) + 1
    if size.prints < least:
        printers = " and the printers" if len(study.printers) > 1 else ""
        loads = f" in {size.loads} loads" if size.loads else ""
        raise InputRefused(
            Problem(
                where,
                f"{size.prints} prints{loads} for the {coefficients} coefficients of the declared model{printers}",
                f"at least {least}{loads}; {least + PRINT_DOF - 1} leave {PRINT_DOF} error degrees of freedom between prints",
                "give more prints" + (" or fewer loads" if size.loads else "") + ", or declare a smaller [model] terms",
            )
        )


def _require_loads(study: Study, size: Size) -> None:
    """Refuse loads that leave no error degree of freedom between them."""
    _, between = coefficient_counts(study)
    if study.load_factors and size.loads < between + 1:
        raise InputRefused(
            Problem(
                "--loads, or study.toml, budget.loads",
                f"with {size.loads} drying load(s) no error degree of freedom is left for the load factors",
                f"at least {between + 1} loads are needed, {between + LOAD_DOF} are better",
                "give more loads",
            )
        )


def _require_no_size(kind: Kind, request: PlanRequest) -> None:
    if request.prints is not None:
        raise InputRefused(
            Problem(
                "--prints",
                f"a {kind} plan has a number of prints of its own",
                f"--prints goes with {', '.join(OPTIMAL)}",
                "leave it out, or choose one of these with --kind",
            )
        )


def _misfit(purpose: Purpose, why: str, allowed: str) -> InputRefused:
    return InputRefused(
        Problem(
            f"--purpose {purpose}",
            f"the declared model does not serve it: {why}",
            f"study.toml, [model] {allowed}",
            "declare that, or leave --purpose out",
        )
    )
