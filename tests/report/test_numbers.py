import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.report import numbers


# JCGM 100:2008, 7.2.6 (from memory): y = 10,057 62 with u = 27 mΩ is reported as 10,058; u = 28,05 kHz as 28 kHz.
@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (10.05762, 0.027, ("10.058", "0.027")),
        (1234.0, 28.05, ("1234", "28")),
        (-27.3456, 0.347, ("−27.35", "0.35")),
        (5.0, 0.0996, ("5.00", "0.10")),
        (1234.5678, 123.4, ("1230", "120")),
        (1.234e-5, 1.2e-6, ("1.23 × 10⁻⁵", "1.2 × 10⁻⁶")),
        (0.0, 0.1, ("0.00", "0.10")),
        (1e-30, 0.1, ("0.00", "0.10")),
        (27.0, None, ("27.00", "n/a")),
        (None, 0.3, ("n/a", "0.30")),
        (float("nan"), float("nan"), ("n/a", "n/a")),
    ],
)
def test_an_estimate_is_rounded_to_the_place_of_its_uncertainty(value, uncertainty, shown):
    assert numbers.with_uncertainty(value, uncertainty) == shown


def test_a_tie_goes_to_the_even_digit():
    assert [numbers.at_place(value, -1) for value in (0.25, 0.35, 2.65)] == ["0.2", "0.4", "2.6"]


@given(st.floats(1e-6, 1e6), st.integers(1, 8))
def test_plain_keeps_the_digits_that_are_asked_for(value, digits):
    mantissa, _, power = numbers.plain(value, digits).partition(" × 10")
    exponent = int(power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")) or 0)
    assert float(mantissa) * 10.0**exponent == pytest.approx(value, rel=0.5000001 * 10 ** (1 - digits))


def test_numbers_of_arrays_are_numbers():
    assert numbers.plain(np.float64(27.0)) == "27.00"
    assert numbers.percent(np.float64(0.5)) == "50.0 %"


@pytest.mark.parametrize(
    ("value", "shown"), [(27.0, "27"), (-0.06, "−0.06"), (0.1 + 0.2, "0.3"), (1e-7, "1 × 10⁻⁷"), (None, "n/a")]
)
def test_what_was_chosen_is_shown_as_it_was_chosen(value, shown):
    assert numbers.exact(value) == shown


def test_a_setting_carries_no_trace_of_arithmetic():
    assert [numbers.setting(value) for value in (5.55e-17, 277.50000000001, None)] == ["0", "277.5", "n/a"]


def test_an_interval_has_the_place_of_its_estimate_or_of_its_half_width():
    assert numbers.interval(-20.123, 30.456) == "−20 to 30"
    assert numbers.interval(26.4123, 27.9123, -2) == "26.41 to 27.91"
    assert numbers.interval(None, 3.0) == "n/a"


@pytest.mark.parametrize(
    ("p", "shown"),
    [(0.00002, "< 0.001"), (0.0456, "0.046"), (0.05, "0.050"), (0.38, "0.38"), (0.9999, "> 0.99"), (None, "n/a")],
)
def test_p_values(p, shown):
    assert numbers.p_value(p) == shown


def test_a_share_below_one_is_never_all():
    assert [numbers.percent(share) for share in (0.99999, 0.0001, 1.0, 0.0, 0.9412, None)] == [
        "> 99.9 %", "< 0.1 %", "100 %", "0 %", "94.1 %", "n/a",
    ]


def test_rounding_a_bound_does_not_add_to_the_claim():
    assert numbers.percent_bound(0.8999) == "89.9 %"
    assert numbers.percent_bound(0.9) == "90.0 %"


def test_levels_and_degrees_of_freedom():
    assert [numbers.level(share) for share in (0.95, 0.9, 0.995)] == ["95 %", "90 %", "99.5 %"]
    assert [numbers.dof(value) for value in (13, 5.96, 5.4, None)] == ["13", "6", "5.4", "n/a"]


@pytest.mark.parametrize(
    ("share", "said"),
    [(0, "0 %"), (0.004, "< 1 %"), (0.006, "1 %"), (0.57, "57 %"), (0.994, "99 %"), (0.997, "> 99 %"), (1, "100 %")],
)
def test_a_rough_share_is_whole_percent_and_never_all_or_none_by_rounding(share, said):
    assert numbers.whole_percent(share) == said
