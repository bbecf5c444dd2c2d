"""Every quantity of the published cases keeps its digits, and those that cannot are known with their figures."""

import pytest

from tests.published_digits import agreements, lines

# What disagrees, and how many digits agree all the same; the program prints why. Printed figures that their own data do not
# give; Wald's limits where R follows the profile; penalised beside maximum likelihood; restricted beside plain likelihood.
SHORT = {
    ("D_tyre_tread", "modulus: coefficients as published"): 3.6,
    ("E_corrosion_box", "standard deviation of bars as published"): 2.2,
    ("E_cultivation", "inoculant only: sd_block as published"): 3.8,
    ("E_cultivation", "inoculant only: sd_whole as published"): 3.4,
    ("E_cultivation", "inoculant only: sd_residual as published"): 4.2,
    ("F_wine_clm", "R: limits of tempwarm"): 1.5,
    ("F_wine_clm", "R: limits of contactyes"): 1.4,
    ("F_lizards_firth", "R: coefficients without penalty"): 1.4,
    ("F_lizards_firth", "R: deviance without penalty"): 2.5,
    ("F_motorettes_right", "coefficients, fit of a study"): 1.7,
    ("F_motorettes_right", "standard deviation, fit of a study"): 1.1,
    ("F_motorettes_right", "standard errors, fit of a study"): 1.1,
    ("F_capacitor_right", "linear: coefficients, fit of a study"): 2.5,
    ("F_capacitor_right", "linear: standard deviation, fit of a study"): 1.2,
    ("F_capacitor_right", "linear: standard errors, fit of a study"): 1.1,
    ("F_capacitor_right", "factor: coefficients, fit of a study"): 2.3,
    ("F_capacitor_right", "factor: standard deviation, fit of a study"): 0.9,
    ("F_capacitor_right", "factor: standard errors, fit of a study"): 0.9,
}


def test_every_quantity_keeps_its_digits():
    # One test over all: a list of cases to parametrise by would be computed at import, by every worker.
    short = [one for one in agreements() if not one.holds and (one.case, one.quantity) not in SHORT]
    assert [f"{one.case}, {one.quantity}: {one.digits:.1f} of {one.least:.1f}" for one in short] == []


@pytest.mark.parametrize("key", SHORT, ids=lambda key: f"{key[0]}, {key[1]}")
def test_what_cannot_agree_is_said_with_its_figure(key):
    (one,) = [one for one in agreements() if (one.case, one.quantity) == key]
    assert SHORT[key] <= one.digits < one.least
    assert one.note


def test_no_quantity_is_counted_twice():
    keys = [(one.case, one.quantity) for one in agreements()]
    assert len(keys) == len(set(keys))


def test_the_table_names_the_source_of_every_case():
    text = list(lines("corrosion_box"))
    assert "Box, G.E.P., Hunter, J.S., Hunter, W.G." in text[0]
    assert any(line.startswith("*") and "11.16" in line for line in text)
