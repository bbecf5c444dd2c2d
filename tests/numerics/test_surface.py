import numpy as np
import pytest
from scipy import optimize

from doe.numerics.leastsq import fit_least_squares
from doe.numerics.surface import quadratic_form, ridge_path, stationary_point
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


@pytest.mark.parametrize(("factors", "y", "terms", "reference"), list(published_surfaces()))
def test_ridge_path_passes_through_the_maximum(factors, y, terms, reference):
    # At the distance of the stationary point, which is a maximum, no point of the sphere is higher.
    coefficients = fit_least_squares(y, columns(factors, terms)).estimates
    form = quadratic_form(coefficients, terms, range(len(factors)))
    radius = np.linalg.norm(reference["stationary_point"])
    found = ridge_path(*form, [0.0, radius])
    assert found.points[0].tolist() == [0.0] * len(factors)
    assert found.points[1] == pytest.approx(reference["stationary_point"], abs=1e-8)
    assert coefficients[0] + found.offsets[1] == pytest.approx(reference["y_at_stationary"], rel=1e-9)


def test_tyre_ridge_path_of_a_saddle():
    # Derringer and Suich (1980), abrasion: a saddle. Against points half a degree apart.
    data = numbers("D_tyre_tread")
    coefficients = fit_least_squares(data["abrasion"], columns([data["x1"], data["x2"], data["x3"]], THREE)).estimates
    b, B = quadratic_form(coefficients, THREE, range(3))
    u, v = np.meshgrid(np.radians(np.arange(0, 360, 0.5)), np.radians(np.arange(-90, 90.5, 0.5)))
    sphere = np.column_stack([(np.cos(u) * np.cos(v)).ravel(), (np.sin(u) * np.cos(v)).ravel(), np.sin(v).ravel()])
    found = ridge_path(b, B, [0.2, 1.0, 1.633])
    for radius, point, offset in zip(found.radii, found.points, found.offsets, strict=True):
        tried = (radius * sphere) @ b + np.sum((radius * sphere) @ B * (radius * sphere), axis=1)
        assert np.linalg.norm(point) == pytest.approx(radius, rel=1e-12)
        # Any y of the sphere lies (x - y)'(mu I - B)(x - y) below the maximum x; the nearest tried is 0.36 degrees away.
        mu = point @ (b / 2 + B @ point) / radius**2
        missed = (mu - np.linalg.eigvalsh(B)[0]) * (radius * np.radians(0.36)) ** 2
        assert tried.max() <= offset <= tried.max() + missed
        assert point == pytest.approx(radius * sphere[np.argmax(tried)], abs=0.01 * radius)


@pytest.mark.parametrize("kind", ["maximum", "minimum", "saddle", "plane", "rising ridge"])
@pytest.mark.parametrize("k", [1, 2, 4])
def test_ridge_path_agrees_with_a_general_search(kind, k):
    random = np.random.default_rng(k)
    axes, _ = np.linalg.qr(random.normal(size=(k, k)))
    size = np.linspace(1, 2, k)
    signs = {"maximum": -size, "minimum": size, "saddle": size * (-1.0) ** np.arange(k), "plane": 0 * size}
    eigenvalues = signs.get(kind, np.append(-size[1:], 0.0))
    b, B = random.normal(size=k), axes @ np.diag(eigenvalues) @ axes.T
    B = (B + B.T) / 2
    found = ridge_path(b, B, [0.3, 1.0, 2.0])
    for radius, offset in zip(found.radii, found.offsets, strict=True):
        ways = np.vstack([b, random.normal(size=(8, k))])
        best = max(-sphere_search(b, B, radius * way / np.linalg.norm(way)).fun for way in ways)
        assert offset == pytest.approx(best, abs=1e-6)


def sphere_search(b, B, start):
    return optimize.minimize(
        lambda x: -(x @ b + x @ B @ x),
        start,
        jac=lambda x: -(b + 2 * B @ x),
        constraints={"type": "eq", "fun": lambda x: x @ x - start @ start, "jac": lambda x: 2 * x},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 200},
    )


def test_ridge_path_of_a_surface_symmetric_about_the_centre():
    # y = 2 x1 - x1^2 + x2^2: up to 1/2 along x1, then x1 = 1/2 and x2 = +-sqrt(R^2 - 1/4), by hand.
    found = ridge_path([2.0, 0.0], [[-1.0, 0.0], [0.0, 1.0]], [0.25, 0.5, 1.0])
    assert found.points == pytest.approx(np.array([[0.25, 0.0], [0.5, 0.0], [0.5, np.sqrt(0.75)]]), abs=1e-9)
    assert found.offsets[2] == pytest.approx(1 - 0.25 + 0.75)


def test_ridge_path_without_slope_or_without_anything():
    assert ridge_path([0.0, 0.0], [[1.0, 0.0], [0.0, 2.0]], [3.0]).points == pytest.approx(np.array([[0.0, 3.0]]))
    flat = ridge_path([0.0, 0.0], np.zeros((2, 2)), [2.0])
    assert np.linalg.norm(flat.points[0]) == pytest.approx(2.0)
    assert flat.offsets.tolist() == [0.0]


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_ridge_path_does_not_depend_on_the_unit_of_the_response(scale):
    b, B = np.array([1.0, -0.4]), np.array([[-2.0, 0.3], [0.3, 0.5]])
    plain, scaled = ridge_path(b, B, [0.5, 2.0]), ridge_path(scale * b, scale * B, [0.5, 2.0])
    assert scaled.points == pytest.approx(plain.points, rel=1e-9)


def test_refuses_a_radius_below_zero():
    with pytest.raises(ValueError, match="zero or above"):
        ridge_path([1.0], [[1.0]], [-1.0])
