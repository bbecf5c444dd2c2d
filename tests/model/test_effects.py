"""Joint tests of whole factors, and sums of squares of a response by stratum."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.model import effects
from doe.model.data import ResponseData
from doe.model.results import as_data
from doe.numerics import power, reml, terms
from doe.numerics.batched import share_plan
from doe.numerics.limits import Limits
from doe.numerics.precision import joint_precision
from doe.report.effects import effect_table, strata_rows
from tests.conftest import make_study

NAMES = ("nozzle_temperature", "drying_time", "bed_surface")


def made(coded, levels, model, load=None, printers=(), counts=1, seed=1, values=None, rounds=("1",)):
    """Return arrays of one response: prints in order, printers taken in turn, pure scatter unless values are given."""
    coded, n = np.asarray(coded, dtype=float), len(coded)
    counts = np.broadcast_to(counts, n)
    printer = np.arange(n) % max(len(printers), 1)
    base = terms.model_matrix(coded, model, levels)
    size = max(len(printers) - 1, 0)
    contrasts = np.vstack([np.eye(size), -np.ones(size)])[printer]
    level_names = [[f"level_{j}" for j in range(count)] for count in levels]
    of_print = np.repeat(np.arange(n), counts)
    scatter = np.random.default_rng(seed).normal(size=len(of_print))
    return ResponseData(
        response=make_study().responses[0],
        model=model,
        levels=tuple(levels),
        values=scatter if values is None else values,
        of_print=of_print,
        names=tuple(f"P{row}" for row in range(n)),
        coded=coded,
        X=np.hstack([base, contrasts]),
        labels=(
            *terms.column_labels(model, levels, NAMES[: len(levels)], level_names),
            *(f"printer {name}" for name in printers[:-1]),
        ),
        load=None if load is None else np.asarray(load),
        cell=np.arange(n),
        printers=tuple(printers),
        printer=printer,
        rounds=rounds,
        order=np.arange(n),
        excluded=(),
    )


def fitted(data, random=("load",)):
    groups = {"load": data.load, "print": np.arange(len(data.names))}
    rows = data.of_print if "print" in random else np.arange(len(data.names))
    values = data.values if "print" in random else data.means
    return reml.fit_reml(values, data.X[rows], [np.asarray(groups[name])[rows] for name in random])


def split_plot(printers=(), **more):
    """Return 36 prints in 6 loads: drying time is fixed within a load, surface (3 levels) and nozzle vary within."""
    coded = [[nozzle, drying, surface] for drying in (-1, 1) * 3 for nozzle in (-1, 1) for surface in (0, 1, 2)]
    load = np.repeat(np.arange(6), 6)
    return made(coded, (0, 0, 3), ((), (0,), (1,), (2,), (1, 2)), load, printers, **more)


def test_a_factor_of_several_levels_is_one_test_and_a_factor_is_all_its_terms():
    data = split_plot()
    found = effects.effects(data, fitted(data), ("load",))
    assert [(test.name, test.ndf) for test in found.terms] == [("bed_surface", 2), ("drying_time * bed_surface", 2)]
    assert [(test.name, test.ndf) for test in found.factors] == [
        ("nozzle_temperature", 1),
        ("drying_time", 3),
        ("bed_surface", 4),
    ]
    assert found.factors[1].columns == (
        "drying_time",
        "drying_time * bed_surface [level_0]",
        "drying_time * bed_surface [level_1]",
    )
    for test in (*found.terms, *found.factors):
        assert test.p == pytest.approx(stats.f.sf(test.f, test.ndf, test.ddf), rel=1e-12)


def test_balanced_tests_are_those_of_the_strata():
    data = split_plot(counts=3, seed=3)
    apart = np.random.default_rng(11).normal(size=36) + 2 * np.array([0.3, -1.1, 0.8, 1.4, -0.6, -0.9])[data.load]
    data = replace(data, values=data.values + apart[data.of_print])
    mixed = fitted(data, ("load", "print"))
    assert not any(mixed.at_zero)
    whole = {test.name: test for test in effects.effects(data, mixed, ("load", "print")).terms}
    rows = {(row.stratum, row.source): row for row in effects.strata_table(data)}
    for term in ("bed_surface", "drying_time * bed_surface"):
        row = rows[effects.PRINTS, term]
        assert row.f == pytest.approx(whole[term].f, rel=1e-7)
        assert whole[term].ddf == pytest.approx(rows[effects.PRINTS, "error"].dof, rel=1e-7)
    drying = reml.f_test(mixed, np.eye(len(data.labels))[[2]])
    assert rows[effects.LOADS, "drying_time"].f == pytest.approx(drying.f, rel=1e-7)
    assert drying.ddf == pytest.approx(4, rel=1e-7)


def test_the_test_of_a_categorical_factor_is_the_one_its_power_was_computed_for():
    data = split_plot(printers=("A", "B", "C", "D"), seed=3)
    mixed = fitted(data)
    test = effects.effects(data, mixed, ("load",)).terms[0]
    rows = np.eye(len(data.labels))[3:5]
    plan = share_plan(data.X, data.load)
    ratio = mixed.variances[0] / mixed.variances[1]
    planned = joint_precision(plan, [ratio], rows)
    change = rows @ mixed.estimates
    wald = change @ np.linalg.solve(mixed.variances[1] * planned.adjusted[0], change) / 2
    assert [test.f, test.ddf] == pytest.approx([planned.scale[0] * wald, planned.ddf[0]], rel=1e-8)
    wanted = power.expected_dof(plan, power.Effect(rows, rows[0]), ratio)
    assert test.ddf == pytest.approx(wanted, rel=1e-8)


def test_all_terms_of_a_factor_do_not_depend_on_where_its_partners_are_zero():
    generator = np.random.default_rng(6)
    coded = generator.uniform(-1, 1, size=(20, 2))
    data = made(coded, (0, 0), ((), (0,), (1,), (0, 1)))
    moved = made(coded + np.array([0.0, 3.0]), (0, 0), data.model)  # drying time is counted from elsewhere
    one, other = (effects.effects(part, fitted(part, ()), ()).factors[0] for part in (data, moved))
    assert [one.f, one.ddf, one.p] == pytest.approx([other.f, other.ddf, other.p], rel=1e-8)


def test_printers_and_rounds_are_tested_as_wholes():
    data = split_plot(printers=("A", "B", "C", "D"))
    assert effects.effects(data, fitted(data), ("load",)).terms[-1].name == "printers"
    late = np.where(np.arange(36) < 12, 1.0, np.where(np.arange(36) < 24, 0.0, -1.0))
    data = replace(split_plot(), rounds=("1", "2", "3"))
    second = np.where(late == 0, 1.0, np.where(late == 1, 0.0, -1.0))
    data = replace(
        data, X=np.column_stack([data.X, late, second]), labels=(*data.labels, "round 1", "round 2"), load=None
    )
    assert [test.name for test in effects.effects(data, fitted(data, ()), ()).terms][-1] == "rounds"


def test_what_no_load_error_judges_is_not_tested():
    # Two loads and drying time at two levels: the loads are used up.
    coded = [[nozzle, drying] for drying in (-1, 1) for nozzle in (-1, 1) * 4]
    data = made(coded, (0, 0), ((), (0,), (1,)), np.repeat([0, 1], 8))
    nozzle, drying = effects.effects(data, fitted(data, ()), ()).factors
    assert nozzle.p is not None and nozzle.reason == ""
    assert drying.p is None and drying.reason == effects.NO_LOAD_ERROR


def test_a_categorical_factor_with_too_few_loads_is_not_tested():
    coded = [[nozzle, 0, surface] for surface in (0, 1, 2, 2) for nozzle in (-1, 1) * 3]
    data = made(coded, (0, 0, 3), ((), (0,), (2,)), np.repeat(np.arange(4), 6), seed=3)
    (surface,) = effects.effects(data, fitted(data), ("load",)).terms
    assert surface.p is None and surface.reason == effects.FEW_DOF


def test_without_a_fit_nothing_is_tested_and_the_report_says_why():
    data = split_plot()
    found = effects.effects(data, None, ())
    assert {test.reason for test in (*found.terms, *found.factors)} == {effects.NO_ERROR}
    assert list(effects.verdicts(found)) == []
    assert all(row[-1] == f"not tested: {effects.NO_ERROR}" for row in effect_table(found).rows)
    json.dumps(as_data(found), allow_nan=False)


def total_of(rows):
    return rows[-1].ss, rows[-1].dof


SQUARE = [[nozzle, drying] for drying in (-1, 1, -1, 1) for nozzle in (-1, 1, -1, 1)]
LINEAR = ((), (0,), (1,))
LOADS = np.repeat(np.arange(4), 4)
HARD = {
    "no loads": made(SQUARE, (0, 0), LINEAR),
    "one load": made(SQUARE, (0, 0), LINEAR, np.zeros(16, dtype=int)),
    "a load for each print": made(SQUARE, (0, 0), LINEAR, np.arange(16), counts=2),
    "no coupons": made(SQUARE, (0, 0), LINEAR, LOADS),
    "load factor only": made([row[1:] for row in SQUARE], (0,), ((), (0,)), LOADS),
    "constant": made(SQUARE, (0, 0), LINEAR, LOADS, counts=2, values=np.full(32, 0.3)),
    "equal coupons": made(SQUARE, (0, 0), LINEAR, LOADS, counts=2, values=np.repeat(np.arange(16.0) ** 2, 2)),
    "no error": made(SQUARE[2:5], (0, 0), LINEAR),
    "one error": made(SQUARE[2:6], (0, 0), LINEAR),
    "mean only": made(SQUARE, (0, 0), ((),), LOADS),
    "one print": made(SQUARE[:1], (0, 0), ((),), counts=3),
    "levels between loads": made([[0, 0, code % 3] for code in LOADS], (0, 0, 3), ((), (2,)), LOADS, counts=2),
    "unequal coupons": made(SQUARE, (0, 0), LINEAR, LOADS, counts=[1, 2, 3, 4] * 4),
}


@pytest.mark.parametrize("name", HARD)
def test_hard_cases_survive_and_add_up(name):
    data = HARD[name]
    rows = effects.strata_table(data)
    total, dof = total_of(rows)
    assert total == pytest.approx(np.sum((data.values - data.values.mean()) ** 2), rel=1e-10, abs=1e-20)
    assert sum(row.ss for row in rows[:-1]) == pytest.approx(total, rel=1e-10, abs=1e-20)
    assert sum(row.dof for row in rows[:-1]) == dof == len(data.values) - 1
    shown = strata_rows("z_strength", rows)
    assert len(shown.rows) == len(rows) and "nan" not in str(shown)
    json.dumps(as_data(rows), allow_nan=False)
    found = effects.effects(data, None, ())
    assert all(test.reason == effects.NO_ERROR for test in found.factors)
    effect_table(found)


def strata_of(name):
    return list(dict.fromkeys(row.stratum for row in effects.strata_table(HARD[name]) if row.stratum))


def test_strata_are_named_for_what_they_hold():
    assert strata_of("no loads") == strata_of("one load") == ["between prints"]
    assert strata_of("a load for each print") == ["between prints", effects.COUPONS]
    assert strata_of("no coupons") == [effects.LOADS, effects.PRINTS]
    assert strata_of("unequal coupons") == [effects.LOADS, effects.PRINTS, effects.COUPONS]


def test_values_that_do_not_vary_give_no_f():
    assert all(row.f is None for row in effects.strata_table(HARD["constant"]))


def test_f_is_given_only_where_it_is_exact():
    even = {row.source: row for row in effects.strata_table(HARD["no coupons"])}
    assert even["nozzle_temperature"].f is not None and even["drying_time"].f is not None
    uneven = {row.source: row for row in effects.strata_table(HARD["unequal coupons"])}
    assert uneven["drying_time"].f is None and uneven["drying_time"].reason
    skewed = made([*SQUARE[:-1], [0.3, 1]], (0, 0), LINEAR, LOADS)
    rows = [row for row in effects.strata_table(skewed) if row.source == "nozzle_temperature"]
    assert [row.stratum for row in rows] == [effects.LOADS, effects.PRINTS]
    assert [row.dof for row in rows] == [1, 1]
    assert all(row.f is None and "only part of it" in row.reason for row in rows)


def test_limits_have_no_sums_of_squares():
    data = HARD["no loads"]
    limits = Limits(data.values, np.where(np.arange(16) == 3, np.inf, data.values), np.arange(16) != 3)
    rows = effects.strata_table(replace(data, limits=limits))
    assert rows == () and "only limits" in strata_rows("z_strength", rows).note


@pytest.mark.parametrize(
    ("p_values", "adjusted"), [((0.01, 0.04, 0.03), (0.03, 0.06, 0.06)), ((), ()), ((0.9, 0.8), (1, 1))]
)
def test_holm(p_values, adjusted):
    # By hand: 3 * 0.01, 2 * 0.03, and 0.04 no smaller than the one before; never above one.
    assert effects.holm(p_values) == pytest.approx(adjusted)


def test_only_scatter_is_said_to_be_scatter():
    data = HARD["no coupons"]
    quiet = list(effects.verdicts(effects.effects(data, fitted(data), ("load",))))
    assert [verdict.name for verdict in quiet] == ["no factor stands out"]
    assert "of the 2 factors" in quiet[0].cause
    strong = replace(data, values=data.values + 6 * data.coded[:, 0])
    found = effects.effects(strong, fitted(strong), ("load",))
    assert list(effects.verdicts(found)) == []
    table = effect_table(found)
    assert table.rows[0][0] == "nozzle temperature, in any term" and table.rows[0][-1] == "an effect shows clearly"
