"""Whether printers respond alike: what is tested, how the differences read, and what is said."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.model import printers
from doe.model.results import as_data
from doe.numerics import reml
from doe.numerics.limits import Limits
from doe.report.effects import printer_difference_table, printer_test_table
from tests.model.test_effects import made

LINEAR = ((), (0,), (1,))
ABC = ("A", "B", "C")
# Every printer has every combination of nozzle temperature and drying time, twice in each of four loads.
CROSSED = [[nozzle, drying] for drying in (-1, 1, -1, 1) for nozzle in (-1, 1) for _ in range(3)]
LOADS = np.repeat(np.arange(4), 6)


def crossed(slope_on_b=0.0, of=0, load=None, seed=1, **more):
    data = made(CROSSED, (0, 0), LINEAR, load, ABC, seed=seed, **more)
    on_b = data.printer[data.of_print] == 1
    return replace(data, values=data.values + slope_on_b * data.coded[data.of_print, of] * on_b)


def names(found):
    return [(verdict.name, verdict.about) for verdict in printers.verdicts(found)]


def test_without_loads_it_is_the_analysis_of_covariance():
    # The F of separate slopes against a common one, by residual sums of squares.
    data = crossed(1.5)
    y, (nozzle, drying) = data.values, data.coded.T
    on = np.eye(3)[data.printer]

    def left(*columns):
        X = np.column_stack([on, nozzle, drying, *columns])
        return float(np.sum((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2))

    by_printer = [on[:, :2] * column[:, None] for column in (nozzle, drying)]
    found = printers.printer_effects(data, ())
    nozzle_test, drying_test = found.factors
    assert nozzle_test.adjusted_p < 0.05 and drying_test.beside == ("nozzle_temperature",)
    alone, full = left(by_printer[0]), left(*by_printer)
    assert nozzle_test.test.f == pytest.approx((left() - alone) / 2 / (alone / 17), rel=1e-9)
    assert drying_test.test.f == pytest.approx((alone - full) / 2 / (full / 15), rel=1e-9)
    assert (nozzle_test.test.ddf, drying_test.test.ddf) == (pytest.approx(17), pytest.approx(15))
    together = found.together
    assert (together.ndf, together.ddf) == (4, pytest.approx(15))
    assert together.f == pytest.approx((left() - full) / 4 / (full / 15), rel=1e-9)
    assert together.p == pytest.approx(stats.f.sf(together.f, 4, 15), rel=1e-9)


def test_differences_are_the_printers_own_slopes_less_their_mean_from_low_to_high():
    data = crossed(2.0, seed=4)
    own = []
    for code in range(3):
        rows = data.printer == code
        X = np.column_stack([np.ones(rows.sum()), data.coded[rows]])
        own.append(2 * np.linalg.lstsq(X, data.values[rows], rcond=None)[0][1:])
    wanted = np.array(own) - np.mean(own, axis=0)
    found = printers.printer_effects(data, ())
    given = {(one.printer, one.factor): one for one in found.differences}
    for code, printer in enumerate(ABC):
        for place, factor in enumerate(("nozzle_temperature", "drying_time")):
            assert given[printer, factor].estimate == pytest.approx(wanted[code, place], rel=1e-9)
            assert given[printer, factor].low < wanted[code, place] < given[printer, factor].high
    one = given["B", "nozzle_temperature"]
    # Student's t of a contrast of three independent slopes: each 1/8 of the error, (2/3)^2 + 2 (1/3)^2 = 2/3.
    # The drying times' products, which nothing was found of, are not in the model.
    on = np.eye(3)[data.printer]
    X = np.column_stack([on, on * data.coded[:, [0]], data.coded[:, 1]])
    rest = data.values - X @ np.linalg.lstsq(X, data.values, rcond=None)[0]
    se = 2 * np.sqrt(2 / 3 / 8 * rest @ rest / 17)
    assert (one.high - one.low) / 2 == pytest.approx(stats.t.ppf(0.975, 17) * se, rel=1e-9)


def test_a_printer_that_acts_differently_is_named_with_what_to_do():
    found = printers.printer_effects(crossed(4.0, load=LOADS), ("load",))
    (verdict,) = printers.verdicts(found)
    assert (verdict.name, verdict.about) == ("printers respond differently", "z_strength")
    assert "nozzle_temperature does not do the same on every printer" in verdict.cause
    assert "on B changes by +" in verdict.cause and "95 % interval" in verdict.cause
    assert "2 factors tested" in verdict.cause
    assert "check the calibration of nozzle_temperature on B" in verdict.next_step
    assert "may as well be the spools" in verdict.cause and found.spools
    assert "a probe with poor contact" in verdict.cause


def test_a_factor_fixed_in_loads_is_said_to_come_with_the_spool():
    found = printers.printer_effects(crossed(6.0, of=1, load=LOADS, seed=2), ("load",))
    assert [one.fixed_in_loads for one in found.factors] == [False, True]
    (verdict,) = printers.verdicts(found)
    assert "only together with the spool" in verdict.cause
    assert "contact" not in verdict.cause
    assert "calibration" not in verdict.next_step  # it is set in the dryer, not on the printer
    assert "with spools that printers take turns with" in verdict.next_step
    alone = made([[1, -1], [-1, -1], [1, 1], [-1, 1]] * 2, (0, 0), LINEAR, np.repeat(np.arange(4), 2), ("A", "B"))
    assert not printers.printer_effects(alone, ("load",)).spools


def test_printers_that_act_alike_ask_for_nothing():
    assert names(printers.printer_effects(crossed(), ())) == []


def test_logarithms_read_as_ratios():
    data = crossed(1.0, values=np.random.default_rng(3).normal(0, 0.05, 24))
    data = replace(data, response=data.response.model_copy(update={"transform": "log"}))
    found = printers.printer_effects(data, ())
    (verdict,) = printers.verdicts(found)
    one = next(one for one in found.differences if (one.printer, one.factor) == ("B", "nozzle_temperature"))
    assert f"by a factor of {np.exp(one.estimate):.3g}" in verdict.cause
    assert "logarithm" in printer_difference_table(found).columns[3]


def test_p_values_allow_for_the_number_of_factors():
    found = printers.printer_effects(crossed(0.3), ())
    assert all(one.adjusted_p > 0.05 for one in found.factors)
    first, second = sorted(found.factors, key=lambda one: one.test.p)
    assert first.adjusted_p == pytest.approx(min(1, 2 * first.test.p))
    assert second.adjusted_p == pytest.approx(max(second.test.p, first.adjusted_p))
    assert first.beside == second.beside == ()


def test_what_the_prints_cannot_tell_apart_is_left_out_and_named():
    data = crossed(3.0)
    coded = data.coded.copy()
    coded[data.printer == 2, 1] = 1.0  # C never had the low drying time
    base = made(coded, (0, 0), LINEAR, None, ABC)
    found = printers.printer_effects(replace(base, values=data.values), ())
    assert found.dropped == ("printer B * drying_time",)
    assert {one.factor for one in found.differences} == {"nozzle_temperature"}
    assert (
        "Left out, since the prints cannot tell them apart: printer B × drying time." in printer_test_table(found).note
    )


def test_levels_of_a_categorical_factor_are_compared_with_their_average():
    coded = [[0, 0, level] for level in (0, 1, 2) * 2 for _ in range(3)]
    data = made(coded, (0, 0, 3), ((), (2,)), None, ABC, counts=2)
    found = printers.printer_effects(data, ("print",))
    assert [one.test.ndf for one in found.factors] == [4]
    assert {one.change for one in found.differences} == {"level_0", "level_1"}
    cells = np.zeros((3, 3))
    np.add.at(cells, (data.printer, data.coded[:, 2].astype(int)), data.means / 2)
    beyond = cells - cells.mean(axis=0) - cells.mean(axis=1, keepdims=True) + cells.mean()
    given = {(one.printer, one.change): one.estimate for one in found.differences}
    for code, printer in enumerate(ABC):
        assert given[printer, "level_1"] == pytest.approx(beyond[code, 1], rel=1e-8)


def test_all_together_needs_more_prints_than_one_factor():
    # 12 prints, 5 coefficients: 7 are left, 3 with all products, 5 with those of one factor.
    found = printers.printer_effects(made(CROSSED[:12], (0, 0), LINEAR, None, ABC), ())
    assert found.together is None
    assert [one.test.ddf for one in found.factors] == pytest.approx([5, 5])
    assert len(printer_test_table(found).rows) == 2
    assert printers.printer_effects(made(CROSSED, (0, 0), LINEAR, None, ABC), ()).together is not None


def test_a_difference_in_one_factor_is_not_shown_as_one_in_another():
    # The two factors are correlated by 0.5: alone, drying time shows what nozzle temperature does on B; beside it not.
    generator = np.random.default_rng(1)
    first, other = generator.normal(size=(2, 60))
    coded = np.column_stack([first, np.sqrt(0.75) * other + 0.5 * first])
    data = made(coded, (0, 0), LINEAR, None, ABC, seed=5)
    data = replace(data, values=data.values + 6 * data.coded[:, 0] * (data.printer == 1))
    nozzle, drying = printers.printer_effects(data, ()).factors
    assert nozzle.adjusted_p < 1e-6 and nozzle.beside == ()
    assert drying.beside == ("nozzle_temperature",) and drying.adjusted_p > 0.05
    on = np.vstack([np.eye(2), -np.ones(2)])[data.printer]
    X = np.column_stack([data.X, on * data.coded[:, [1]]])
    assert reml.f_test(reml.fit_reml(data.values, X), np.eye(7)[5:]).p < 0.01  # what a test of it alone would say


SHORT = made(CROSSED[:6], (0,) * 2, ((), (0,)), None, ABC)
HARD = {
    "one printer": (made(CROSSED, (0, 0), LINEAR), (), "one printer"),
    "limits": (
        replace(crossed(), limits=Limits(crossed().values, crossed().values, np.ones(24, dtype=bool))),
        (),
        "only limits",
    ),
    "too few prints": (SHORT, (), "error degrees of freedom"),
    "constant": (crossed(values=np.full(24, 3.0)), (), "do not vary"),
    "no factor": (made(CROSSED, (0, 0), ((),), None, ABC), (), "cannot tell apart"),
    "printer is a factor": (
        made([[(-1) ** (row % 2), 0] for row in range(12)], (0, 0), ((), (0,)), None, ("A", "B")),
        (),
        "cannot tell apart",
    ),
}


@pytest.mark.parametrize("name", HARD)
def test_where_nothing_can_be_tested_the_reason_is_said(name):
    data, random, reason = HARD[name]
    found = printers.printer_effects(data, random)
    assert reason in found.reason
    assert all(one.adjusted_p is None for one in found.factors) and found.differences == ()
    assert names(found) == []
    table = printer_test_table(found)
    assert table.rows == () and reason in table.note
    json.dumps(as_data(found), allow_nan=False)


@pytest.mark.parametrize(
    ("load", "counts", "random"),
    [
        (LOADS, 1, ("load",)),
        (LOADS, 2, ("load", "print")),
        (np.arange(24), 2, ("print",)),
        (np.zeros(24, dtype=int), 1, ()),
        (None, [1, 2, 3] * 8, ("print",)),
    ],
    ids=["loads", "coupons", "a load for each print", "one load", "unequal coupons"],
)
def test_layouts_survive(load, counts, random):
    found = printers.printer_effects(crossed(load=load, counts=counts), random)
    assert found.reason == "" and found.together.p is not None
    assert len(printer_test_table(found).rows) == 3
    assert len(printer_difference_table(found).rows) == 6
    json.dumps(as_data(found), allow_nan=False)


def test_loads_are_allowed_for_as_in_the_fit():
    data = crossed(load=LOADS, seed=7)
    data = replace(data, values=data.values + 3 * np.array([1.0, -1, -0.5, 0.8])[LOADS])
    found = printers.printer_effects(data, ("load",))
    contrasts = np.vstack([np.eye(2), -np.ones(2)])[data.printer]
    X = np.column_stack([data.X, contrasts * data.coded[:, [0]]])
    wanted = reml.f_test(reml.fit_reml(data.values, X, [LOADS]), np.eye(7)[5:])
    assert [found.factors[0].test.f, found.factors[0].test.ddf] == pytest.approx([wanted.f, wanted.ddf], rel=1e-9)


@pytest.mark.parametrize("times", [1, pytest.param(4, marks=pytest.mark.slow)])
def test_rarely_said_of_printers_that_act_alike_and_mostly_of_one_that_does_not(times):
    # 50 and 12 studies of the crossed plan, or four times as many: verdicts at 0.05. The effect on B from low to high is 4
    # standard deviations of a print more than on the others.
    alike, other = 50 * times, 12 * times
    said = {
        slope: sum(bool(names(printers.printer_effects(crossed(slope, seed=seed), ()))) for seed in range(studies))
        for slope, studies in ((0.0, alike), (2.0, other))
    }
    assert said[0.0] / alike < 0.05 + 3 * np.sqrt(0.0475 / alike)
    assert said[2.0] / other > 0.7
