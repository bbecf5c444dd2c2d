"""Published tables of ``tests/reference``; lines that begin with # carry the citation."""

import csv
import json
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def rows_of(name):
    """Return the rows of a reference table as text, one dict a row."""
    text = (FOLDER / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def expected_of(name):
    """Return the published and recomputed values of a reference case."""
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))["expected"]
