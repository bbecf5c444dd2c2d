"""From a study's named, natural values to the coded arrays of ``doe.numerics``."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.errors import InputRefused, Problem
from doe.numerics import terms
from doe.study.spec import Factor, Response, Study

Array = NDArray[np.float64]


def level_counts(study: Study) -> tuple[int, ...]:
    """Return, per factor, 0 for a numeric one and the number of levels for a categorical one."""
    return tuple(0 if factor.levels is None else len(factor.levels) for factor in study.factors)


def coded(study: Study, settings: Mapping[str, Any]) -> Array:
    """
    Return settings on the coded scale.

    Parameters
    ----------
    study : Study
    settings : mapping of factor name to sequence of length n
        Natural units, or level names.

    Returns
    -------
    ndarray of shape (n, k)
        Coded units; the level's index for a categorical factor.

    Raises
    ------
    InputRefused
        Where a value is not on the factor's scale, such as zero hours on a logarithmic one.
    """
    columns = []
    for factor in study.factors:
        values = settings[factor.name]
        if factor.levels is not None:
            place = {level: index for index, level in enumerate(factor.levels)}
            columns.append(np.array([place[str(value)] for value in values], dtype=float))
        else:
            columns.append(_on_scale(factor, values))
    return np.column_stack(columns)


def _on_scale(factor: Factor, values: Any) -> Array:  # noqa: ANN401 - a sequence of numbers
    try:
        return factor.coding.coded(np.asarray(values, dtype=float))
    except ValueError as error:
        allowed = f"its scale is '{factor.scale}', on which every setting must lie"
        remedy = "correct the setting that was planned or used"
        raise InputRefused(Problem(f"factor '{factor.name}'", str(error), allowed, remedy)) from None


def model_terms(study: Study, written: Sequence[str] | None = None) -> tuple[terms.Term, ...]:
    """Return the declared model's terms, or those written, completed to a hierarchical model."""
    declared: Any = study.model.terms if written is None else tuple(written)
    if isinstance(declared, str):
        return terms.standard_terms(declared, level_counts(study))
    names = [factor.name for factor in study.factors]
    return terms.with_hierarchy([terms.parse_term(text, names) for text in declared])


def term_label(study: Study, term: terms.Term) -> str:
    """Return a term in words: ``nozzle_temperature * drying_time``."""
    return terms.format_term(term, [factor.name for factor in study.factors])


def column_labels(study: Study, model: Sequence[terms.Term]) -> list[str]:
    """Return the label of every column of the model matrix."""
    names = [factor.name for factor in study.factors]
    return terms.column_labels(
        tuple(model), level_counts(study), names, [factor.levels or () for factor in study.factors]
    )


def describe_setting(study: Study, values: Mapping[str, Any]) -> str:
    """Return one setting in words: ``nozzle_temperature 265 °C, bed_surface glass``."""
    parts = []
    for factor in study.factors:
        value = values[factor.name]
        text = str(value) if factor.levels is not None else f"{float(value):.6g} {factor.display_unit}".rstrip()
        parts.append(f"{factor.name} {text}")
    return ", ".join(parts)


def describe_requirement(response: Response, show: Callable[[float], str]) -> str:
    """
    Return what a response must meet or is wanted to be, in words: ``at least 27 MPa on each coupon``.

    Parameters
    ----------
    response : Response
    show : callable
        Number to text.
    """
    if response.kind == "pass_fail":
        return f"pass on each {response.per}"
    if response.aim is not None:
        return _aim(response, lambda value: f"{show(value)} {response.display_unit}".rstrip())
    given = (("at least", response.at_least), ("at most", response.at_most))
    limits = [f"{sense} {show(limit)} {response.display_unit}".rstrip() for sense, limit in given if limit is not None]
    if not limits:
        return "none"
    on_mean = response.per == "coupon" and response.requirement_on == "print mean"
    return f"{' and '.join(limits)} on {'the print mean' if on_mean else f'each {response.per}'}"


def _aim(response: Response, show: Callable[[float], str]) -> str:
    """Return an aim in words, with the values at which it is worth nothing and perfect."""
    given = (response.worthless_below, response.worthless_above, response.perfect_at)
    below, above, perfect = ("" if value is None else show(value) for value in given)
    if response.aim == "maximise":
        return f"high: worth nothing up to {below}, perfect from {perfect}"
    if response.aim == "minimise":
        return f"low: worth nothing from {above}, perfect down from {perfect}"
    return f"at {perfect}: worth nothing up to {below} and from {above}"
