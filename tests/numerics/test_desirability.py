from functools import cache

import numpy as np
import pytest

from doe.numerics.desirability import Goal, desirability, overall
from doe.numerics.leastsq import fit_least_squares
from tests.numerics.published import numbers
from tests.reference_data import expected_of

TYRE = ["abrasion", "modulus", "elongation", "hardness"]
TYRE_GOALS = [
    Goal("maximise", 120, 170),
    Goal("maximise", 1000, 1300),
    Goal("target", 400, 600, 500),
    Goal("target", 60, 75, 67.5),
]


def quadratic(x):
    """Return intercept, linear, two-factor and squared columns, in the order of the reference files."""
    columns = x.T
    pairs = [columns[i] * columns[j] for i in range(len(columns)) for j in range(i + 1, len(columns))]
    return np.column_stack([np.ones(len(x)), *columns, *pairs, *[column**2 for column in columns]])


def tyre_fitted():
    data = numbers("D_tyre_tread")
    X = quadratic(np.column_stack([data["x1"], data["x2"], data["x3"]]))
    return np.column_stack([fit_least_squares(data[name], X).estimates for name in TYRE])


def tyre_published():
    coefficients = expected_of("D_tyre_tread")["published"]["coef"]
    return np.column_stack([list(coefficients[name].values()) for name in TYRE])


def test_tyre_desirabilities_at_the_published_compound():
    # Derringer and Suich (1980), p. 218 (printed values from memory, so flagged in the reference file).
    published = expected_of("D_tyre_tread")["published"]
    assert round(float(overall(published["individual_d"])), 3) == published["overall_D"]
    predicted = (quadratic(np.array([published["optimum_x"]])) @ tyre_published())[0]
    found = [desirability(value, goal) for value, goal in zip(predicted, TYRE_GOALS, strict=True)]
    # The levels are printed to 0.01 and 0.001: half of that in x1 moves elongation by 0.5 and its desirability by 0.005.
    assert found == pytest.approx(published["individual_d"], abs=5e-3)
    assert round(float(overall(found)), 3) == published["overall_D"]


def worth(predicted, goals):
    return overall(np.column_stack([desirability(column, goal) for column, goal in zip(predicted.T, goals, strict=True)]))


def is_the_best(predict, goals, point, half_range):
    """Whether no setting of a fine grid about a point, within the region, is worth more."""
    steps = np.linspace(-0.02, 0.02, 11)
    grid = np.stack(np.meshgrid(*(np.clip(one + steps, -half_range, half_range) for one in point)), axis=-1)
    return worth(predict(grid.reshape(-1, len(point))), goals).max() <= worth(predict(point[None]), goals)[0] + 1e-5


@pytest.mark.parametrize("source", ["published_coefficients", "refit"])
def test_tyre_optimum(source):
    # The paper's search stopped near the maximum, which is flat along a kink: its point is worth 0.5831.
    coefficients = tyre_published() if source == "published_coefficients" else tyre_fitted()
    wanted = expected_of("D_tyre_tread")["recomputed"][f"optimum_from_{source}"]
    point = np.array(wanted["x"])
    assert worth(quadratic(point[None]) @ coefficients, TYRE_GOALS)[0] == pytest.approx(wanted["D"], abs=1e-5)
    assert is_the_best(lambda x: quadratic(x) @ coefficients, TYRE_GOALS, point, 1.633)


def test_chemical_process_optimum():
    # Montgomery, Design and Analysis of Experiments, section 11.3.4; goal for the molecular weight as in the file.
    recomputed = expected_of("D_chemical_process_desirability")["recomputed"]
    point = np.array(recomputed["optimum_x"])
    assert worth(chemical(point[None]), CHEMICAL_GOALS)[0] == pytest.approx(recomputed["D"], abs=1e-5)
    assert is_the_best(chemical, CHEMICAL_GOALS, point, 1.414)


@cache
def chemical_fitted():
    data = numbers("D_chemical_process_desirability")
    printed = np.column_stack([data["x1"], data["x2"]])
    yields, viscosity = (fit_least_squares(data[name], quadratic(printed)).estimates for name in ("yield", "viscosity"))
    return yields, viscosity, fit_least_squares(data["mol_weight"], np.column_stack([np.ones(13), printed])).estimates


def chemical(x):
    yields, viscosity, weight = chemical_fitted()
    return np.column_stack([quadratic(x) @ yields, quadratic(x) @ viscosity, weight[0] + x @ weight[1:]])


CHEMICAL_GOALS = [Goal("maximise", 70, 80), Goal("target", 62, 68, 65), Goal("minimise", 3200, 3400)]


def test_shapes():
    values = [9, 10, 12.5, 15, 17.5, 20, 21]
    assert desirability(values, Goal("maximise", 10, 20)).tolist() == [0, 0, 0.25, 0.5, 0.75, 1, 1]
    assert desirability(values, Goal("maximise", 10, 20, shape=(2.0,))).tolist() == [0, 0, 1 / 16, 0.25, 9 / 16, 1, 1]
    assert desirability(values, Goal("minimise", 10, 20)).tolist() == [1, 1, 0.75, 0.5, 0.25, 0, 0]
    # Target 15, below with exponent 2, above with 1/2.
    found = desirability(values, Goal("target", 10, 20, 15, shape=(2.0, 0.5)))
    assert found == pytest.approx([0, 0, 0.25, 1, np.sqrt(0.5), 0, 0])
    assert desirability(np.full((2, 3), 15.0), Goal("target", 10, 20, 15)).tolist() == [[1] * 3] * 2


def test_overall_is_a_weighted_geometric_mean():
    assert overall([0.25, 1.0]) == pytest.approx(0.5)
    assert overall([0.25, 1.0], [3, 1]) == pytest.approx(0.25**0.75)
    assert overall([[0.5, 0.5], [0.0, 1.0]], [1, 100]) == pytest.approx([0.5, 0.0])
    assert overall([0.2, 0.7], [2, 6]) == pytest.approx(float(overall([0.2, 0.7], [1, 3])))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (("most", 1, 2), "is not an aim"),
        (("maximise", 2, 2), "not below the upper"),
        (("target", 1, 2), "a target is given"),
        (("minimise", 1, 2, 1.5), "a target is given"),
        (("target", 1, 2, 2), "is not between"),
        (("maximise", 1, 2, None, (1.0, 1.0)), "one exponent"),
        (("maximise", 1, 2, None, (0.0,)), "above zero"),
        (("maximise", 1, 2, None, (1.0,), 0.0), "above zero"),
    ],
)
def test_refuses_what_is_no_goal(given, message):
    with pytest.raises(ValueError, match=message):
        Goal(*given)


def test_refuses_what_does_not_fit():
    with pytest.raises(ValueError, match="one priority above zero"):
        overall([0.5, 0.5], [1, 0])
    with pytest.raises(ValueError, match="between 0 and 1"):
        overall([0.5, 1.5])
