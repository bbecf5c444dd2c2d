from doe.model.covariate_checks import CovariateCheck, CovariateEffect, ResponseCovariates
from doe.model.covariates import FittedColumn
from doe.report import covariates

HUMIDITY = FittedColumn("humidity", "%", "print", 30, 1, 31.0, 58.0, 44.125, "")
DAY = FittedColumn("tested_on", "days", "print", 30, 0, 0.0, 9.0, 4.5, "2026-03-01")
FOUND = ResponseCovariates(
    response="z_strength", unit="MPa", log=False, level=0.95,
    effects=(CovariateEffect(HUMIDITY, -0.0512, -0.093, -0.011, 0.014), CovariateEffect(DAY, 0.1, None, None, None)),
    checks=(
        CovariateCheck("hours_out", "h", 29, 0.5, 9.0, -0.21, 0.004, 0.016, ""),
        CovariateCheck("grams", "g", 30, 0.0, 900.0, 0.001, 0.4, 1.0, ""),
        CovariateCheck("spool_age", "h", 0, None, None, None, None, None, "it was not written down"),
    ),
)


def test_a_fitted_covariate_is_shown_per_unit_with_what_was_seen():
    table = covariates.effects_table(FOUND)
    assert table.columns[1] == "Change per unit, MPa"
    assert table.rows[0] == ("humidity, %", "−0.051", "−0.093 to −0.011", "0.014", "31.0 to 58.0", "44.1", "1 of 30")
    assert table.rows[1][0] == "tested on, days from 2026-03-01"
    assert table.rows[1][2:4] == ("n/a", "")
    assert "All predictions hold at the means" in table.note and "not what it causes" in table.note


def test_a_checked_covariate_has_its_test_in_words():
    table = covariates.checks_table(FOUND)
    assert [row[-1] for row in table.rows] == [
        "tells what the model leaves over", "no drift with it told by these prints", "not tested: it was not written down",
    ]
    assert table.rows[0][:6] == ("hours out, h", "29", "0.500 to 9.00", "−0.21", "0.004", "0.016")
    assert table.rows[2][1:6] == ("0", "n/a", "n/a", "n/a", "n/a")


def test_a_log_response_says_so():
    logged = ResponseCovariates("z_strength", "MPa", True, 0.95, FOUND.effects, FOUND.checks)
    assert covariates.effects_table(logged).columns[1] == "Change per unit, logarithm of the response"
    assert covariates.checks_table(logged).columns[3] == "Change per unit, logarithm of the response"
