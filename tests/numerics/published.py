"""Reference data for the tests of the numerics: how to read it and how to count the digits that agree."""

import json
from dataclasses import dataclass
from decimal import Decimal

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


@dataclass(frozen=True)
class Agreement:
    """
    How far one quantity of a case agrees with its reference.

    ``digits`` is the least log relative error over the values that make up the quantity, up to 15, or the number of printed
    digits where all of them are met. ``least`` is what must be reached.
    """

    case: str
    quantity: str
    digits: float
    least: float
    note: str = ""

    @property
    def holds(self):
        return self.digits >= self.least


def agreement(case_name, quantity, actual, reference, least, note=""):
    """Compare with values that have many digits: certified by NIST, in multiprecision, or from R."""
    actual, wanted = np.ravel(_floats(actual)), np.ravel(_floats(reference))
    assert actual.shape == wanted.shape, (case_name, quantity, actual.shape, wanted.shape)
    return Agreement(case_name, quantity, min(digits(a, b) for a, b in zip(actual, wanted, strict=True)), least, note)


def printed(case_name, quantity, actual, published, decimals=None, note=""):
    """Compare with values as they were printed: each must round to its last printed place."""
    actual, wanted = np.ravel(_floats(actual)), list(np.ravel(_values(published)))
    assert len(actual) == len(wanted), (case_name, quantity, len(actual), len(wanted))
    reached, needed = [], []
    for one, value in zip(actual, wanted, strict=True):
        text = Decimal(repr(float(value))).normalize()
        places = max(-int(text.as_tuple().exponent), 0) if decimals is None else decimals
        shown = max(text.adjusted() + 1 + places, 1)
        met = abs(one - float(value)) <= 0.5 * 10.0**-places * (1 + 1e-9)
        needed.append(shown)
        reached.append(shown if met else min(digits(one, value), shown - 0.01))
    worst = int(np.argmin(np.subtract(reached, needed)))
    return Agreement(case_name, quantity, float(reached[worst]), float(needed[worst]), note)


def _values(given):
    return list(given.values()) if isinstance(given, dict) else given


def _floats(given):
    return np.asarray([float(value) for value in np.ravel(_values(given))])
