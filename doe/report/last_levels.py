"""Effects of the levels that the coding leaves out: minus the sum of those of the others."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from doe.model import inference
from doe.model.measured import Fitted
from doe.model.structure import varies_between_loads
from doe.numerics import terms
from doe.study.spec import Study

Array = NDArray[np.float64]


def last_levels(study: Study, one: Fitted, level: float) -> tuple[list[str], Array, Array]:
    """
    Return what the coefficients leave unsaid: every effect in which a factor's last level, or the last printer, has a part.

    Categorical factors and printers are coded so that the effects of their levels sum to zero; the last one's is therefore a
    linear function of the others'.

    Parameters
    ----------
    study : Study
    one : Fitted
    level : float
        Two-sided level of the intervals.

    Returns
    -------
    labels : list of m str
        As those of coefficients: ``bed_surface [steel]``, ``nozzle_temperature * bed_surface [steel]``, ``printer C``.
    estimates : ndarray of shape (m,)
        Response units (or their logarithm).
    limits : ndarray of shape (m, 2)
        NaN where nothing is known of the precision.
    """
    made = [*_of_factors(study, one), *_of_printers(one)]
    labels, rows = [label for label, _ in made], np.array([row for _, row in made]).reshape(-1, len(one.estimates))
    return labels, rows @ one.estimates, _limits(one, rows, level)


def _of_factors(study: Study, one: Fitted) -> Iterator[tuple[str, Array]]:
    model, levels = one.data.model, one.data.levels
    columns = list(enumerate(terms.column_terms(model, levels)))
    every = [count + 1 if count else 0 for count in levels]
    names, level_names = [factor.name for factor in study.factors], [factor.levels or () for factor in study.factors]
    labels = terms.column_labels(model, every, names, level_names)
    for label, (term, chosen) in zip(labels, terms.column_terms(model, every), strict=True):
        counts = [levels[i] for i in sorted(set(term)) if levels[i]]
        if any(at == count - 1 for at, count in zip(chosen, counts, strict=True)):
            row = np.zeros(len(one.estimates))
            for place, (of, contrasts) in columns:
                if of == term:
                    row[place] = np.prod([_code(*each) for each in zip(chosen, contrasts, counts, strict=True)])
            yield label, row


def _code(level: int, column: int, count: int) -> float:
    """Return the sum-to-zero code of a level in a column."""
    return -1.0 if level == count - 1 else float(level == column)


def _of_printers(one: Fitted) -> Iterator[tuple[str, Array]]:
    mine = np.array([label.startswith("printer ") for label in one.data.labels])
    if mine.any():
        yield f"printer {one.data.printers[mine.sum()]}", -mine.astype(float)


def _limits(one: Fitted, rows: Array, level: float) -> Array:
    """Return the intervals of linear functions of the coefficients, each judged in the stratum that it changes in."""
    if one.inference is None or not len(rows):
        return np.full((len(rows), 2), np.nan)
    between = (rows[:, varies_between_loads(one.data)] != 0).any(axis=1)
    known = inference.contrasts(one.inference, rows, between, level)
    found = np.column_stack([known.low, known.high])
    if not one.inference.of_loads:
        found[between] = np.nan
    return found
