import numpy as np
import pytest
from scipy import stats

from doe.numerics.reml import f_test, fit_reml
from doe.numerics.strata import sums_of_squares
from tests.numerics.published import relative_error, table
from tests.reference_data import expected_of

# Response, factors in the order of the published tables, groups from coarse to fine.
LAYOUTS = {
    "E_corrosion_box": ("resistance", ("temperature", "coating"), ("heat",)),
    "E_oats_yates": ("yield", ("variety", "nitrogen"), ("block", "whole_plot")),
    "E_wood_resistance": ("resistance", ("pretreatment", "stain"), ("whole_plot",)),
    "E_alfalfa": ("Yield", ("Variety", "Date"), ("Block", "whole_plot")),
    "E_cultivation": ("drywt", ("cultivar", "inoculant"), ("block", "whole_plot")),
    "E_metal_bond": ("pressure", ("metal",), ("ingot",)),
    "E_shoes_missing": ("wear", ("material",), ("boy",)),
}


def sum_to_zero(column):
    levels = np.unique(column)
    return np.column_stack([(column == level) * 1.0 - (column == levels[-1]) for level in levels[:-1]])


def terms_of(data, factors):
    """Return the factors' columns by name, then those of their interaction."""
    made = {name: sum_to_zero(data[name]) for name in factors}
    if len(factors) == 2:
        left, right = made.values()
        made[":".join(factors)] = (left[:, :, None] * right[:, None, :]).reshape(len(left), -1)
    return made


def analysed(name, rows=slice(None)):
    """Return per term its F against the error of the only stratum it is in, all strata, and the total."""
    response, factors, groups = LAYOUTS[name]
    data = {key: column[rows] for key, column in table(name).items()}
    named = terms_of(data, factors)
    found, total = sums_of_squares(data[response].astype(float), list(named.values()), [data[g] for g in groups])
    tests = {}
    for index, term in enumerate(named):
        strata = [one for one in found if one.dof[index]]
        if len(strata) == 1 and strata[0].alone[index] and strata[0].even:
            one = strata[0]
            f = one.ss[index] / one.dof[index] / (one.error_ss / one.error_dof)
            tests[term] = (f, one.dof[index], one.error_dof, stats.f.sf(f, one.dof[index], one.error_dof))
    return tests, found, total


def test_corrosion_sums_of_squares_are_those_published():
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Table 9.2: all printed digits.
    published = expected_of("E_corrosion_box")["published"]
    tests, (wholes, parts), _ = analysed("E_corrosion_box")
    ss = (wholes.ss[0], *parts.ss[1:], wholes.error_ss, parts.error_ss)
    dof = (wholes.dof[0], *parts.dof[1:], wholes.error_dof, parts.error_dof)
    names = ("temperature", "coating", "temperature_x_coating", "whole_plot_error", "subplot_error")
    assert dof == tuple(published["df"][name] for name in names)
    assert [round(value) for value in ss] == [published["ss"][name] for name in names]
    for name, one_ss, one_dof in zip(names, ss, dof, strict=True):
        assert one_ss / one_dof == pytest.approx(published["ms"][name], abs=0.05 if name == "subplot_error" else 0.5)
    assert tests["coating"][0] == pytest.approx(published["F"]["coating"], abs=0.005)
    assert tests["temperature:coating"][0] == pytest.approx(published["F"]["temperature_x_coating"], abs=5e-4)
    assert tests["coating"][3] == pytest.approx(published["p"]["coating"], abs=5e-6)
    assert tests["temperature:coating"][3] == pytest.approx(published["p"]["temperature_x_coating"], abs=5e-6)
    assert tests["temperature"][0] == pytest.approx(2.755, abs=5e-4)  # 13260 / 4813, quoted in the stored text


def test_oats_sums_of_squares_are_those_published():
    # Venables and Ripley, Modern Applied Statistics with S, 4th ed., sec. 10.2: the F's as recorded with the case;
    # sums of squares of the three strata from memory.
    published = expected_of("E_oats_yates")["published"]
    tests, (blocks, wholes, parts), total = analysed("E_oats_yates")
    for term, key, half in (
        ("variety", "F_variety_full_model", 5e-4),
        ("nitrogen", "F_nitrogen_full_model", 5e-3),
        ("variety:nitrogen", "F_interaction_full_model", 5e-4),
    ):
        assert tests[term][0] == pytest.approx(published[key], abs=half)
    assert (blocks.error_dof, wholes.error_dof, parts.error_dof) == (5, 10, 45)
    assert [blocks.error_ss, wholes.ss[0], wholes.error_ss] == pytest.approx([15875.3, 1786.4, 6013.3], abs=0.05)
    assert [parts.ss[1], parts.ss[2], parts.error_ss] == pytest.approx([20020.5, 321.75, 7968.75], abs=0.05)
    assert total == pytest.approx(51985.95, abs=0.05)  # their sum


def test_alfalfa_mean_squares_are_those_published():
    # Snedecor and Cochran (1980), sec. 16.15, mean squares from memory as recorded with the case.
    published = expected_of("E_alfalfa")["published"]
    _, (_, wholes, parts), _ = analysed("E_alfalfa")
    assert (wholes.error_dof, parts.error_dof) == (10, 45)
    assert wholes.error_ss / 10 == pytest.approx(published["ms_main_plot_error"], abs=5e-5)
    assert parts.error_ss / 45 == pytest.approx(published["ms_sub_plot_error"], abs=5e-5)
    assert parts.ss[1] / 3 == pytest.approx(published["ms_date"], abs=5e-5)
    assert parts.ss[2] / 6 == pytest.approx(published["ms_interaction"], abs=5e-5)


def test_wood_p_value_is_the_one_published():
    # Potcner and Kowalski, Quality Progress 37(12) (2004) 67.
    tests, _, _ = analysed("E_wood_resistance")
    assert tests["pretreatment"][1:3] == (1, 4)
    assert tests["pretreatment"][3] == pytest.approx(
        expected_of("E_wood_resistance")["published"]["p_pretreatment"], abs=5e-4
    )


def test_shoes_f_is_the_one_published():
    # Box, Hunter and Hunter (1978), boys' shoes; test published in the vignette of R package pbkrtest 0.5.2.
    published = expected_of("E_shoes_missing")["published"]["balanced"]
    f, ndf, ddf, p = analysed("E_shoes_missing")[0]["material"]
    assert (ndf, ddf) == (1, 9)
    assert f == pytest.approx(published["F"], abs=5e-4)
    assert p == pytest.approx(published["p"], abs=5e-7)


def test_a_term_that_lost_its_balance_is_in_both_strata():
    kept = table("E_shoes_missing")["in_unbalanced_subset"] == "1"
    tests, (boys, within), _ = analysed("E_shoes_missing", kept)
    assert (boys.dof, within.dof) == ((1,), (1,))
    assert not boys.even and within.even
    assert tests == {}


@pytest.mark.parametrize("name", ["E_corrosion_box", "E_oats_yates", "E_wood_resistance", "E_alfalfa", "E_metal_bond"])
def test_f_of_balanced_strata_is_the_kenward_roger_f(name):
    # Recomputed in 34-digit arithmetic; with all components above zero both are the same test.
    theirs = expected_of(name)["reference_multiprecision"]["anova_KR"]
    tests, _, _ = analysed(name)
    assert set(tests) == set(theirs)
    for term, (f, ndf, ddf, p) in tests.items():
        wanted = theirs[term]
        assert ndf == wanted["NumDF"]
        assert relative_error([f, ddf], [wanted["F"], wanted["DenDF"]]) < 1e-10
        assert p == pytest.approx(wanted["p"], rel=1e-9)


def test_cultivation_f_is_that_of_r():
    # Littell et al. (1996), Data Set 2.2(a); R 4.2.2 with pbkrtest 0.5.2, limited by its optimiser.
    tests, _, _ = analysed("E_cultivation")
    for term, theirs in expected_of("E_cultivation")["reference_R"]["anova_typeIII_KR"].items():
        assert relative_error([tests[term][0], tests[term][2]], [theirs["F"], theirs["DenDF"]]) < 1e-6


@pytest.mark.parametrize("name", LAYOUTS)
def test_parts_add_up_to_the_total(name):
    response, factors, groups = LAYOUTS[name]
    data = table(name)
    kept = np.random.default_rng(4).permutation(len(data[response]))[: int(0.8 * len(data[response]))]
    _, found, total = analysed(name, kept)  # prints lost at random: nothing is balanced any more
    values = data[response].astype(float)[kept]
    assert total == pytest.approx(np.sum((values - values.mean()) ** 2), rel=1e-12)
    assert sum(sum(one.ss) + one.error_ss for one in found) == pytest.approx(total, rel=1e-12)
    assert sum(sum(one.dof) + one.error_dof for one in found) == len(kept) - 1
    assert len(found) == len(groups) + 1 and all(len(one.dof) == 2 * len(factors) - 1 for one in found)


def test_sequential_sums_of_squares_are_differences_of_residuals():
    generator = np.random.default_rng(2)
    load = np.repeat(np.arange(5), [3, 4, 4, 5, 2])
    a, b, y = generator.normal(size=(3, len(load)))
    (_, within), _ = sums_of_squares(y, [a[:, None], b[:, None]], [load])
    Z = np.eye(5)[load]
    left = [
        float(np.sum((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2))
        for X in (Z, np.column_stack([Z, a]), np.column_stack([Z, a, b]))
    ]
    assert within.ss == pytest.approx([left[0] - left[1], left[1] - left[2]], rel=1e-9)
    assert within.error_ss == pytest.approx(left[2], rel=1e-12)
    assert not any(within.alone)


def test_unequal_groups_are_not_called_even():
    y, x = np.arange(7.0) ** 2, np.arange(7.0)[:, None] % 2
    (between, prints, coupons), _ = sums_of_squares(y, [x], [[0, 0, 0, 0, 1, 1, 1], [0, 0, 1, 1, 2, 2, 3]])
    assert (between.even, prints.even, coupons.even) == (False, False, True)
    (loads, inside), _ = sums_of_squares(y[:6], [x[:6]], [[0, 0, 0, 0, 1, 1]])
    assert (loads.even, inside.even) == (False, True)


def test_equal_loads_need_equal_prints_too():
    # Two loads of four values each, but prints of 1 and 3 values: the load error is no single variance.
    y = np.array([1.0, 4, 2, 7, 3, 5, 9, 2])
    (loads, _, _), _ = sums_of_squares(y, [], [[0] * 4 + [1] * 4, [0, 1, 1, 1, 2, 3, 3, 3]])
    assert not loads.even


def test_values_that_do_not_vary_have_no_sum_of_squares():
    (loads, prints), total = sums_of_squares(np.full(6, 0.1 + 0.2), [np.arange(6.0)[:, None] % 2], [[0, 0, 0, 1, 1, 1]])
    assert total == 0
    assert (loads.ss, loads.error_ss, prints.ss, prints.error_ss) == ((0.0,), 0.0, (0.0,), 0.0)


def test_a_saturated_stratum_has_no_error():
    y = np.array([1.0, 2.5, 0.3, 4.0])
    (one,), total = sums_of_squares(y, [np.eye(4)[:, :2], np.eye(4)[:, 2:]])
    assert (one.dof, one.error_dof, one.error_ss) == ((2, 1), 0, 0.0)
    assert sum(one.ss) == pytest.approx(total, rel=1e-12)


def test_coupons_give_the_print_f_of_the_means():
    # With equal coupons the F between prints is that of their means, whatever the coupons scatter.
    generator = np.random.default_rng(8)
    x = np.tile([-1.0, 1.0], 6)
    y = np.repeat(generator.normal(size=12) + x, 4) + generator.normal(size=48)
    (prints, coupons), _ = sums_of_squares(y, [np.repeat(x, 4)[:, None]], [np.repeat(np.arange(12), 4)])
    ours = prints.ss[0] / (prints.error_ss / prints.error_dof)
    means = fit_reml(y.reshape(12, 4).mean(axis=1), np.column_stack([np.ones(12), x]))
    assert ours == pytest.approx(f_test(means, [0, 1]).f, rel=1e-10)
    assert (coupons.dof, coupons.error_dof) == ((0,), 36)


@pytest.mark.parametrize(
    ("y", "columns", "groups", "said"),
    [
        ([1.0, np.nan], [], [], "finite"),
        ([], [], [], "one row for each value"),
        ([1.0, 2.0], [np.ones((3, 1))], [], "one row for each value"),
        ([1.0, 2.0], [np.ones(2)], [], "one row for each value"),
        ([1.0, 2.0], [], [[0, 1, 1]], "one entry for each value"),
        ([1.0, 2.0, 3.0], [], [[0, 0, 1], [0, 1, 1]], "within one group"),
    ],
)
def test_what_cannot_be_split_is_refused(y, columns, groups, said):
    with pytest.raises(ValueError, match=said):
        sums_of_squares(y, columns, groups)
