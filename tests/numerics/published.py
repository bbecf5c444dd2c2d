"""Reference data for the tests of the numerics: how to read it and how to count the digits that agree."""

import json

import numpy as np

from tests.reference_data import FOLDER, rows_of


def table(name):
    """Return a table as arrays of text by column."""
    rows = rows_of(name)
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def numbers(name):
    """Return a table whose columns are all numbers."""
    return {key: column.astype(float) for key, column in table(name).items()}


def case(name):
    """Return all that is recorded of a case."""
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


def relative_error(actual, reference):
    """Return the largest relative difference; absolute where the reference is zero."""
    actual, reference = np.asarray(actual, dtype=float), np.asarray(reference, dtype=float)
    scale = np.where(reference == 0, 1.0, np.abs(reference))
    return float(np.max(np.abs(actual - reference) / scale))


def digits(actual, certified):
    """Return how many significant digits agree at least (log relative error), up to 15."""
    error = relative_error(actual, certified)
    return 15.0 if error < 1e-15 else -np.log10(error)
