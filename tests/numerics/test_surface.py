import numpy as np
import pytest

from doe.numerics.leastsq import fit_least_squares
from doe.numerics.surface import quadratic_form, stationary_point
from tests.numerics.published import numbers, relative_error
from tests.reference_data import expected_of

TWO = [(), (0,), (1,), (0, 1), (0, 0), (1, 1)]
THREE = [(), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2), (0, 0), (1, 1), (2, 2)]


def columns(factors, terms):
    return np.column_stack([np.prod([factors[i] for i in term], axis=0) * np.ones(len(factors[0])) for term in terms])


def fitted_surface(factors, y, terms):
    coefficients = fit_least_squares(y, columns(factors, terms)).estimates
    return coefficients[0], stationary_point(*quadratic_form(coefficients, terms, range(len(factors))))


def published_surfaces():
    """Yield intercept, stationary point and recomputed values of the second-order examples."""
    # Montgomery, Design and Analysis of Experiments, Table 11.6 (viscosity from memory).
    data, reference = numbers("C_chemical_process_ccd"), expected_of("C_chemical_process_ccd")["recomputed"]
    factors = [data["x1"], data["x2"]]
    yield pytest.param(factors, data["yield"], TWO, reference["yield_"], id="yield")
    yield pytest.param(factors, data["viscosity"], TWO, reference["viscosity"], id="viscosity")
    # Zhang et al. (2021), Scientific Reports 11, 1167.
    data, reference = numbers("C_bbd_cherry_oil"), expected_of("C_bbd_cherry_oil")["recomputed"]
    yield pytest.param([data[f"x{i}"] for i in (1, 2, 3)], data["yield_percent"], THREE, reference, id="cherry oil")
    # NIST/SEMATECH e-Handbook, section 5.5.3.1.
    data = numbers("C_nist_steepest_ascent")
    later = data["phase"] > 1
    reference = expected_of("C_nist_steepest_ascent")["recomputed"]["phase2_plus_3_quadratic"]
    yield pytest.param([data["x1"][later], data["x2"][later]], data["yield"][later], TWO, reference, id="handbook")


@pytest.mark.parametrize(("factors", "y", "terms", "reference"), list(published_surfaces()))
def test_canonical_analysis(factors, y, terms, reference):
    intercept, found = fitted_surface(factors, y, terms)
    assert relative_error(found.point, reference["stationary_point"]) < 1e-9
    assert intercept + found.offset == pytest.approx(reference["y_at_stationary"], rel=1e-9)
    assert relative_error(found.eigenvalues, reference["eigenvalues"]) < 1e-9
    axes = np.array(reference["eigenvectors_columns"])
    assert np.abs(np.sum(found.eigenvectors * axes, axis=0)) == pytest.approx(np.ones(len(factors)), abs=1e-9)
    assert found.nature == "maximum"


def test_yield_agrees_with_published_optimum():
    # Montgomery, Design and Analysis of Experiments, Example 11.2 (values from memory).
    data = numbers("C_chemical_process_ccd")
    published = expected_of("C_chemical_process_ccd")["published"]["yield_"]
    intercept, found = fitted_surface([data["x1"], data["x2"]], data["yield"], TWO)
    assert found.point == pytest.approx(published["stationary_point"], abs=5e-4)
    assert intercept + found.offset == pytest.approx(published["y_at_stationary"], abs=5e-3)
    assert found.eigenvalues == pytest.approx(published["eigenvalues"], abs=5e-5)


def test_handbook_agrees_with_published_optimum():
    # NIST/SEMATECH e-Handbook, section 5.5.3.1.4 (values from memory).
    data = numbers("C_nist_steepest_ascent")
    later = data["phase"] > 1
    published = expected_of("C_nist_steepest_ascent")["published"]["phase2_plus_3"]
    intercept, found = fitted_surface([data["x1"][later], data["x2"][later]], data["yield"][later], TWO)
    assert found.point == pytest.approx(published["stationary_point"], abs=5e-3)
    assert intercept + found.offset == pytest.approx(published["y_at_stationary"], abs=5e-3)
    assert found.eigenvalues == pytest.approx(published["eigenvalues"], abs=5e-4)


def test_cherry_oil_agrees_with_published_optimum():
    # Zhang et al. (2021), abstract: 52 mL/g, 27 min and 435 W, the last cut to 435 from 435.9.
    data = numbers("C_bbd_cherry_oil")
    published = expected_of("C_bbd_cherry_oil")["published"]["optimum"]
    _, found = fitted_surface([data[f"x{i}"] for i in (1, 2, 3)], data["yield_percent"], THREE)
    ratio, time, power = np.array([50, 25, 400]) + found.point * [10, 5, 100]
    assert (round(ratio), round(time), int(power)) == (published["ratio"], published["time"], published["power"])


@pytest.mark.parametrize(
    ("B", "nature"),
    [
        ([[-2.0, 0.5], [0.5, -1.0]], "maximum"),
        ([[2.0, 0.5], [0.5, 1.0]], "minimum"),
        ([[1.0, 0.0], [0.0, -1.0]], "saddle"),
        ([[-1.0, -1.0], [-1.0, -1.0]], "ridge"),
    ],
)
def test_nature(B, nature):
    centre, B = np.array([0.3, -0.7]), np.array(B)
    found = stationary_point(-2 * B @ centre, B)
    assert found.nature == nature
    assert found.offset == pytest.approx(-centre @ B @ centre, rel=1e-12)
    assert found.eigenvectors @ np.diag(found.eigenvalues) @ found.eigenvectors.T == pytest.approx(B, abs=1e-12)
    assert 2 * B @ found.point == pytest.approx(2 * B @ centre, abs=1e-12)


def test_level_ridge_gives_the_nearest_of_its_points():
    # Any point with x1 + x2 = 1 will do; the nearest to the centre is (1/2, 1/2).
    found = stationary_point([2.0, 2.0], [[-1.0, -1.0], [-1.0, -1.0]])
    assert found.point == pytest.approx([0.5, 0.5], abs=1e-12)
    assert found.eigenvalues == pytest.approx([-2, 0], abs=1e-12)


def test_rising_ridge_has_no_point():
    found = stationary_point([2.0, 1.0], [[-1.0, 0.0], [0.0, 0.0]])
    assert found.nature == "ridge"
    assert np.isnan(found.point).all()
    assert np.isnan(found.offset)


def test_one_factor():
    # y = 4 x - x^2 peaks at 2 with value 4.
    found = stationary_point([4.0], [[-1.0]])
    assert (found.point[0], found.offset, found.nature) == (2.0, 4.0, "maximum")


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_point_does_not_depend_on_the_unit_of_the_response(scale):
    b, B = np.array([1.0, -0.4]), np.array([[-2.0, 0.3], [0.3, -0.5]])
    plain, scaled = stationary_point(b, B), stationary_point(scale * b, scale * B)
    assert scaled.point == pytest.approx(plain.point, rel=1e-12)
    assert scaled.offset == pytest.approx(scale * plain.offset, rel=1e-12)
    assert scaled.nature == plain.nature


def test_collects_coefficients_in_the_order_of_the_factors():
    terms = [(), (0,), (2,), (3,), (0, 2), (0, 0), (2, 2)]
    b, B = quadratic_form([9, 1, 2, 7, 3, 4, 5], terms, [2, 0])
    assert b.tolist() == [2, 1]
    assert B.tolist() == [[5, 1.5], [1.5, 4]]


@pytest.mark.parametrize("term", [(0, 0, 0), (0, 1, 1), (0, 5), (0, 0, 5)])
def test_refuses_terms_outside_a_quadratic(term):
    with pytest.raises(ValueError, match="is not part of a quadratic"):
        quadratic_form([1.0, 2.0], [(0,), term], [0, 1])


@pytest.mark.parametrize(
    ("b", "B", "message"),
    [
        ([1.0, 2.0], [[0.0, 0.0], [0.0, 0.0]], "without curvature"),
        ([1.0, 2.0], [[1.0, 0.5], [0.0, 1.0]], "symmetric"),
        ([1.0, 2.0], [[1.0]], "symmetric"),
    ],
)
def test_refuses_what_is_no_surface(b, B, message):
    with pytest.raises(ValueError, match=message):
        stationary_point(b, B)
