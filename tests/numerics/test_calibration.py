"""The line from setpoint to actual value."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics import calibration, uncertainty
from tests.reference_data import expected_of, rows_of

CHECK = ([250, 265, 280], [244.1, 258.6, 273.5])


def test_hand_calculation():
    # mean 265 -> 258.7333; slope 15 * (273.5 - 244.1) / 450; residuals 1/15, -2/15, 1/15 with one degree of freedom
    line = calibration.fit_line(*CHECK)
    assert line.slope == pytest.approx(0.98, abs=1e-12)
    assert line.intercept == pytest.approx(258.73333333333333 - 0.98 * 265, abs=1e-10)
    assert line.residual_sd == pytest.approx(math.sqrt(6) / 15, rel=1e-9)
    assert (line.low, line.high, line.n) == (250, 280, 3)
    assert calibration.standard_error(line, [265, 280]) == pytest.approx(
        np.array([math.sqrt(6) / 15 * math.sqrt(1 / 3), math.sqrt(6) / 15 * math.sqrt(1 / 3 + 225 / 450)]), rel=1e-9
    )


def test_certified_line():
    # NIST Statistical Reference Datasets, Norris: calibration of an ozone monitor, certified to 15 digits. The standard
    # error of the intercept is that of the line at 0.
    data = rows_of("A_nist_norris")
    line = calibration.fit_line([float(row["x"]) for row in data], [float(row["y"]) for row in data])
    certified = expected_of("A_nist_norris")["certified"]
    assert [line.intercept, line.slope] == pytest.approx([float(text) for text in certified["coef"]], rel=1e-11)
    assert line.residual_sd == pytest.approx(float(certified["resid_sd"]), rel=1e-11)
    errors = [float(calibration.standard_error(line, 0.0)), line.residual_sd / math.sqrt(line.spread)]
    assert errors == pytest.approx([float(text) for text in certified["se"]], rel=1e-11)
    assert line.n == len(data)


@settings(deadline=None)
@given(st.floats(-50, 50), st.floats(0.5, 2), st.floats(200, 300))
def test_set_and_actual_undo_each_other(offset, slope, value):
    setpoints = np.array([200.0, 250.0, 300.0])
    line = calibration.fit_line(setpoints, offset + slope * setpoints)
    assert calibration.to_set(line, calibration.to_actual(line, [value])) == pytest.approx(np.array([value]), rel=1e-9)
    assert calibration.to_actual(line, [value]) == pytest.approx(np.array([offset + slope * value]), rel=1e-9)


def test_readings_at_one_setpoint_give_an_offset():
    line = calibration.fit_line([260, 260, 260], [255, 256, 257])
    assert (line.slope, line.intercept, line.residual_sd, line.spread) == (1, -4, 1, 0)
    assert calibration.to_set(line, [256]).tolist() == [260]
    assert calibration.standard_error(line, [240, 260]) == pytest.approx(np.array([1, 1]) / math.sqrt(3))


@pytest.mark.parametrize("check", [([260], [255]), ([250, 280], [244, 273])])
def test_scatter_is_unknown_without_degrees_of_freedom(check):
    line = calibration.fit_line(*check)
    assert math.isnan(line.residual_sd)
    assert np.isnan(calibration.standard_error(line, [260])).all()


def test_range_that_was_checked():
    line = calibration.fit_line(*CHECK)
    assert calibration.covers(line, [249, 250, 265, 280 + 1e-12, 281]).tolist() == [False, True, True, True, False]


def test_missing_values_pass_through():
    line = calibration.fit_line(*CHECK)
    assert math.isnan(calibration.to_actual(line, [math.nan])[0])
    assert not calibration.covers(line, [math.nan])[0]


@pytest.mark.parametrize(
    ("check", "words"),
    [
        (([], []), "at least one of each"), (([250, 260], [244]), "one actual value for each setpoint"),
        (([250, math.nan], [244, 250]), "must all be numbers"), (([250, 260], [250, 244]), "does not rise"),
    ],
)
def test_readings_without_a_line_are_refused(check, words):
    with pytest.raises(ValueError, match=words):
        calibration.fit_line(*check)


def test_gum_calibration_of_a_thermometer():
    # JCGM 100:2008, H.3, tables H.6 and H.7 (data and results from memory): corrections of a thermometer at eleven temperatures
    temperatures = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    corrections = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = calibration.fit_line(temperatures, corrections)
    assert float(calibration.to_actual(line, 20)) == pytest.approx(-0.1712, abs=5e-5)
    assert float(calibration.standard_error(line, 20)) == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.residual_sd / math.sqrt(line.spread) == pytest.approx(0.00067, abs=5e-6)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    correlation = -(line.mean - 20) * line.residual_sd**2 / line.spread  # covariance of the value at 20 and the slope
    correlation /= float(calibration.standard_error(line, 20)) * line.residual_sd / math.sqrt(line.spread)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    # the correction at 30 and its standard uncertainty, with 9 degrees of freedom (H.3.4)
    assert float(calibration.to_actual(line, 30)) == pytest.approx(-0.1494, abs=5e-5)
    known = calibration.actual_uncertainty(line, calibration.pooled_scatter([line]), calibration.Budget(), 30)
    assert known.standard == pytest.approx(0.0041, abs=5e-5)
    assert known.dof == pytest.approx(9)


def test_what_readings_with_a_probe_have_in_common():
    budget = calibration.Budget(limit=1.5, share=0.004, contact=5, readout=1)
    assert float(calibration.common_sd(budget, 265)) == pytest.approx(math.sqrt((2.25 + 25 + 1) / 3))  # 0.4 % of it is below 1.5
    assert float(calibration.common_sd(budget, 1000)) == pytest.approx(math.sqrt((16 + 25 + 1) / 3))
    assert float(calibration.common_sd(calibration.Budget(contact=5, readout=1), 265)) == 0  # without the limit none is claimed


class TestScatter:
    def test_lines_are_pooled_by_their_degrees_of_freedom(self):
        lines = [calibration.fit_line([250, 265, 280], one) for one in ([244, 259.3, 274], [250, 264.1, 280])]
        found = calibration.pooled_scatter(lines)
        assert found.dof == 2
        assert found.sd**2 == pytest.approx((0.3**2 + 0.9**2) * 2 / 3 / 2)  # a bend of 0.3 leaves squares of 0.3^2 * 2/3

    def test_the_larger_of_stated_and_seen_counts(self):
        line = calibration.fit_line(*CHECK)
        assert calibration.pooled_scatter([line], 1.0) == calibration.Scatter(1.0, math.inf)
        assert calibration.pooled_scatter([line], 0.1).dof == 1

    def test_rounded_readings_of_one_printer_do_not_hide_the_scatter_of_another(self):
        exact, scattered = (calibration.fit_line([250, 265, 280], one) for one in ([244, 259, 274], [250, 264.1, 280]))
        found = calibration.pooled_scatter([exact, scattered])
        assert (found.sd, found.dof) == (pytest.approx(0.9 * math.sqrt(2 / 3)), 1)

    def test_two_readings_or_rounded_ones_show_none(self):
        two, exact = calibration.fit_line([250, 280], [244, 273]), calibration.fit_line([250, 265, 280], [244, 259, 274])
        assert calibration.pooled_scatter([two, exact]) is None
        assert calibration.actual_uncertainty(two, None, calibration.Budget(), 260) is None


@pytest.mark.parametrize("noise", [0.3, 1.0])
def test_expanded_uncertainty_covers_the_actual_value(noise):
    # 4000 printers of each kind, every error drawn as the budget says; the rate has a standard error of 0.3 points. Even spreads
    # have no tails, so that coverage is above 95.45 % where one of them dominates.
    generator = np.random.default_rng(2)
    setpoints, budget = np.array([250.0, 265, 280]), calibration.Budget(limit=1.5, contact=2.5, readout=1.0)
    line = calibration.fit_line(setpoints, setpoints - 6)
    known = calibration.actual_uncertainty(line, calibration.Scatter(noise, math.inf), budget, 275)  # whatever was read
    inside = []
    for _ in range(4000):
        common = sum(generator.uniform(-half, half) for half in (1.5, 2.5, 1.0))
        line = calibration.fit_line(setpoints, setpoints - 6 + common + generator.normal(0, noise, 3))
        inside.append(abs(float(calibration.to_actual(line, 275)) - 269) <= known.expanded)
    assert 0.945 <= np.mean(inside) <= 0.995


def test_setpoint_for_an_actual_value_has_the_first_order_uncertainty():
    # Inverse prediction by simulation: how the setpoint scatters that three readings give for an actual value of 262
    generator = np.random.default_rng(4)
    setpoints, scatter = np.array([250.0, 265, 280]), calibration.Scatter(0.5, math.inf)
    truth = 0.98 * setpoints - 1
    found = []
    for _ in range(5000):
        line = calibration.fit_line(setpoints, truth + generator.normal(0, 0.5, 3))
        found.append(float(calibration.to_set(line, 262)))
    line = calibration.fit_line(setpoints, truth)
    of_actual = calibration.actual_uncertainty(line, scatter, calibration.Budget(), float(calibration.to_set(line, 262)))
    of_set = calibration.set_uncertainty(line, of_actual)
    assert of_set.standard == pytest.approx(np.std(found), rel=0.03)  # three standard errors of the simulation


def test_first_order_uncertainty_is_near_fieller():
    # Draper and Smith (1998), section 3.2 (from memory): the exact limits are the roots of a quadratic in the setpoint
    line = calibration.fit_line(*CHECK)
    scatter, t = calibration.pooled_scatter([line]), uncertainty.two_sided(1, uncertainty.COVERAGE)
    at = float(calibration.to_set(line, 262))
    known = calibration.set_uncertainty(line, calibration.actual_uncertainty(line, scatter, calibration.Budget(), at))
    middle, s2 = line.intercept + line.slope * line.mean, (t * scatter.sd) ** 2
    roots = np.roots(
        [line.slope**2 - s2 / line.spread, -2 * line.slope * (262 - middle), (262 - middle) ** 2 - s2 / line.n]
    ) + line.mean
    g = s2 / line.spread / line.slope**2
    assert g < 0.02
    assert known.expanded == pytest.approx(float(np.ptp(roots)) / 2, rel=2 * g)


def test_later_readings_above_the_line():
    line = calibration.fit_line([250, 265, 280], [244, 259, 274])
    offset, doubt = calibration.offset_from(line, calibration.Scatter(0.6, 4), [265, 265], [261, 263], 1.0)
    assert offset == pytest.approx(3)
    assert doubt.standard == pytest.approx(math.sqrt(0.36 * (1 / 3 + 1 / 2) + 1))
    shifted = calibration.moved(line, [265, 265], [261, 263])
    assert float(calibration.to_actual(shifted, 250)) == pytest.approx(247)
    assert (shifted.n, shifted.mean, shifted.low, shifted.high) == (2, 265, 250, 280)


def test_range_with_a_step_of_slack():
    line = calibration.fit_line(*CHECK)
    assert calibration.covers(line, [248.9, 249, 281, 281.1], 1.0).tolist() == [False, True, True, False]
