from functools import cache

import numpy as np
import pytest

from doe.numerics.desirability import Goal, desirability, most_desirable, overall
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


def test_tyre_optimum_from_the_published_coefficients():
    coefficients, published = tyre_published(), expected_of("D_tyre_tread")["published"]
    found = most_desirable(lambda x: quadratic(x) @ coefficients, TYRE_GOALS, [(-1.633, 1.633)] * 3)
    assert round(found.overall, 3) == published["overall_D"]
    # The paper's search stopped near the maximum, which is flat along a kink: its point is worth 0.5831.
    assert found.point == pytest.approx(published["optimum_x"], abs=5e-3)
    assert found.predicted == pytest.approx(published["predicted"], abs=0.3)
    assert found.individual == pytest.approx(published["individual_d"], abs=5e-3)
    recomputed = expected_of("D_tyre_tread")["recomputed"]["optimum_from_published_coefficients"]
    assert found.overall == pytest.approx(recomputed["D"], abs=1e-6)


def test_tyre_optimum_from_the_data():
    coefficients, recomputed = tyre_fitted(), expected_of("D_tyre_tread")["recomputed"]["optimum_from_refit"]
    found = most_desirable(lambda x: quadratic(x) @ coefficients, TYRE_GOALS, [(-1.633, 1.633)] * 3)
    assert found.overall == pytest.approx(recomputed["D"], abs=1e-6)
    assert found.overall >= recomputed["D"] - 1e-9
    assert found.point == pytest.approx(recomputed["x"], abs=5e-3)
    assert found.predicted == pytest.approx(recomputed["predicted"], rel=1e-3)
    assert found.individual == pytest.approx(recomputed["d"], abs=2e-3)


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


def test_chemical_process_optimum():
    # Montgomery, Design and Analysis of Experiments, section 11.3.4; goal for the molecular weight as in the file.
    recomputed = expected_of("D_chemical_process_desirability")["recomputed"]
    found = most_desirable(chemical, CHEMICAL_GOALS, [(-1.414, 1.414)] * 2)
    assert found.overall == pytest.approx(recomputed["D"], abs=1e-6)
    assert found.point == pytest.approx(recomputed["optimum_x"], abs=1e-4)
    assert found.predicted == pytest.approx(recomputed["predicted"], abs=1e-3)


def test_search_beats_a_fine_grid():
    # Two responses with opposite wishes, exponents and priorities; 1001 x 1001 settings.
    def predict(x):
        a, b = x.T
        return np.column_stack([60 + 8 * a - 5 * b + 4 * a * b - 6 * a**2, 20 - 3 * a + 4 * b + 5 * b**2 - 2 * a * b])

    goals = [Goal("maximise", 50, 64, shape=(2.0,), priority=3.0), Goal("target", 15, 24, 18, shape=(0.5, 3.0))]
    side = np.linspace(-1, 1, 1001)
    grid = np.column_stack([part.ravel() for part in np.meshgrid(side, side)])
    values = predict(grid)
    parts = np.column_stack([desirability(values[:, j], goal) for j, goal in enumerate(goals)])
    scores = overall(parts, [3.0, 1.0])
    found = most_desirable(predict, goals, [(-1, 1)] * 2)
    assert found.overall >= scores.max() - 1e-9
    assert found.overall == pytest.approx(scores.max(), abs=2e-3)
    assert found.point == pytest.approx(grid[np.argmax(scores)], abs=0.02)


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


def test_nothing_is_worth_anything():
    assert most_desirable(lambda x: x * 0, [Goal("maximise", 1, 2)], [(-1, 1)]) is None


def test_all_goals_reached():
    found = most_desirable(lambda x: 5 + x, [Goal("maximise", 1, 2)], [(-1, 1)])
    assert (found.overall, found.individual.tolist()) == (1.0, [1.0])


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
    goal = Goal("maximise", 0, 1)
    with pytest.raises(ValueError, match="one priority above zero"):
        overall([0.5, 0.5], [1, 0])
    with pytest.raises(ValueError, match="between 0 and 1"):
        overall([0.5, 1.5])
    with pytest.raises(ValueError, match="upper bound above"):
        most_desirable(lambda x: x, [goal], [(1, -1)])
    with pytest.raises(ValueError, match="one goal for each"):
        most_desirable(lambda x: x, [goal], [(-1, 1)] * 2)
