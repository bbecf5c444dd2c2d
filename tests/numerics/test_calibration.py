"""The line from setpoint to actual value."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics import calibration
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
