"""A small re-run of the comparison of the setting found with all settings."""

import numpy as np
import pytest

from tests.studies import best_found
from tests.studies.recommendation import Kind

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("plan", "number"), [((30, 6), 0), ((40, 8), 3)])
def test_the_setting_found_is_as_good_as_the_best_of_all(plan, number):
    found = best_found.compared(plan, best_found.kind_of(number), [7, number])
    assert found.allowed > 1000
    assert 0 <= found.shortfall <= best_found.MOST


def test_the_enumeration_sees_a_setting_that_is_worse():
    area, view = best_found.simulated((30, 6), Kind(3, False, "below 1"), [7, 9])
    corner = np.array([[0, 0, 0, 0]])
    area_best = best_found.search.best_setting(area, view.score, best_found.outlook.generator())
    worse = float(view.shares(area.coded(corner)).mean(dtype=float))
    assert float(view.shares(area.coded(area_best[None])).mean(dtype=float)) - worse > best_found.MOST
