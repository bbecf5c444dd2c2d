"""Reference data for the tests of the numerics: how to read it and how to count the digits that agree."""

import csv
import json
from pathlib import Path

import numpy as np

REFERENCE = Path(__file__).parent.parent / "reference"


def table(name):
    """Return a table as arrays of text by column; lines that begin with # carry the citation."""
    lines = (REFERENCE / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


def numbers(name):
    """Return a table whose columns are all numbers."""
    return {key: column.astype(float) for key, column in table(name).items()}


def case(name):
    """Return all that is recorded of a case."""
    return json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))


def expected(name):
    """Return the published and recomputed values of a case."""
    return case(name)["expected"]


def relative_error(actual, reference):
    """Return the largest relative difference; absolute where the reference is zero."""
    actual, reference = np.asarray(actual, dtype=float), np.asarray(reference, dtype=float)
    scale = np.where(reference == 0, 1.0, np.abs(reference))
    return float(np.max(np.abs(actual - reference) / scale))


def digits(actual, certified):
    """Return how many significant digits agree at least (log relative error), up to 15."""
    error = relative_error(actual, certified)
    return 15.0 if error < 1e-15 else -np.log10(error)
