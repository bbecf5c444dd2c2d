"""Shared helpers: the folder of reference data, and small studies in a scenario of our own."""

import copy
import os
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is there: test processes share the machine's cores
os.environ.pop("COLUMNS", None)  # a parallel run sets it: what commands print would depend on how the tests are run

import pytest

from doe.study.spec import Study

REFERENCE = Path(__file__).parent / "reference"


def numeric(name, low, high, increment, **more):
    return {"name": name, "unit": more.pop("unit", "degC"), "low": low, "high": high, "increment": increment, **more}


BASE = {
    "study": {"id": "clip", "title": "Snap clip", "material": "invented filled polyamide", "family": "PA-CF"},
    "factors": [
        numeric("nozzle_temperature", 255, 285, 1),
        numeric("bed_temperature", 60, 80, 1),
        numeric("z_offset", -0.06, 0.06, 0.01, unit="mm"),
        numeric("drying_time", 4, 12, 0.5, unit="h", change="load"),
    ],
    "responses": [{"name": "z_strength", "unit": "MPa", "coupons": 3, "at_least": 25.0}],
    "printers": [{"name": "A"}, {"name": "B"}],
    "budget": {"prints": 30, "loads": 8},
}


def make_study(**changes):
    """Return a study of four factors, one of them fixed within a drying load; top-level tables may be replaced."""
    return Study.model_validate({**copy.deepcopy(BASE), **changes})


@pytest.fixture
def study():
    return make_study()
