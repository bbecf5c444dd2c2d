"""Passing and failing: published grouped data, closed forms, profiles found another way, and what data cannot support."""

import numpy as np
import pytest
from scipy import optimize, special, stats

from doe.numerics import binary, firth
from tests.numerics.published import digits, numbers, table
from tests.reference_data import expected_of

TABLES = expected_of("F_firth_2x2_closed_form")["closed_form"]
TWO_GROUPS = np.array([[1.0, 0.0], [1.0, 1.0]])


def lizards():
    # Schoener (1970), in McCullagh and Nelder, Generalized Linear Models, 2nd ed. (1989), Table 4.6.
    data = table("F_lizards_firth")
    levels = (("height", ">=5ft"), ("diameter", ">2in"), ("light", "shady"), ("time", "midday"), ("time", "late"))
    X = np.column_stack([np.ones(23), *[data[name] == level for name, level in levels]]).astype(float)
    passed = data["grahami"].astype(float)
    return passed, passed + data["opalinus"].astype(float), X


def plan(n=30, columns=3, loads=6, seed=1):
    generator = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), generator.uniform(-1, 1, (n, columns))])
    return X, np.arange(n) % loads, generator


class TestPublished:
    @pytest.mark.parametrize("reference", ["firth_R", "firth_multiprecision"])
    def test_lizards(self, reference):
        fit = binary.fit_binary(*lizards())
        expected = expected_of("F_lizards_firth")[reference]
        assert digits(fit.estimates, list(expected["coef"].values())) >= 13
        assert digits(np.sqrt(np.diag(fit.covariance) / fit.dispersion), list(expected["se"].values())) >= 13

    def test_lizards_penalised_likelihood(self):
        expected = expected_of("F_lizards_firth")["firth_multiprecision"]["penalised_logLik"]
        # The file's likelihood is without binomial coefficients, as ours is.
        assert digits(binary.fit_binary(*lizards()).log_likelihood, expected) >= 13

    @pytest.mark.parametrize("expected", TABLES, ids=lambda one: f"table {one['table']}")
    def test_two_by_two_tables(self, expected):
        # Firth (1993); Heinze and Schemper (2002): log odds ratio after adding 1/2 to every cell.
        data = numbers("F_firth_2x2_closed_form")
        mine = data["table"] == expected["table"]
        passed, failed = data["success"][mine], data["failure"][mine]
        grouped = binary.fit_binary(passed, passed + failed, TWO_GROUPS)
        np.testing.assert_allclose(grouped.estimates, [expected["intercept"], expected["slope"]], rtol=0, atol=5e-14)
        single = np.repeat([1.0, 0, 1, 0], [passed[0], failed[0], passed[1], failed[1]])
        X = np.repeat(TWO_GROUPS, (passed + failed).astype(int), axis=0)
        split = binary.fit_binary(single, np.ones(len(single)), X)
        np.testing.assert_allclose(split.estimates, grouped.estimates, atol=1e-12)


class TestProfile:
    def test_intercept_alone_in_closed_form(self):
        # Jeffreys' prior of one proportion is a beta likelihood of k + 1/2 and n - k + 1/2; its logit has no further term.
        passed, tested = 9.0, 10.0
        fit = binary.fit_binary([passed], [tested], [[1.0]])

        def drop(logit):
            return (passed + 0.5) * special.log_expit(logit) + (tested - passed + 0.5) * special.log_expit(-logit)

        centre = np.log(9.5 / 1.5)
        assert fit.estimates[0] == pytest.approx(centre)
        enough = drop(centre) - stats.chi2.ppf(0.95, 1) / 2
        ends = [optimize.brentq(lambda at: drop(at) - enough, *bracket) for bracket in ((-20, centre), (centre, 40))]
        np.testing.assert_allclose(binary.coefficient_limits(fit)[0], ends, rtol=1e-6)
        np.testing.assert_allclose(binary.pass_shares(fit, [[1.0]]).limits[0], special.expit(ends), rtol=1e-6)

    @pytest.mark.parametrize("outcome", ["mixed", "separated", "all passed"])
    def test_limits_by_another_search(self, outcome):
        X, _, generator = plan(20, 3)
        passed = {"mixed": generator.integers(0, 2, 20), "separated": X[:, 1] > 0, "all passed": np.ones(20)}[outcome]
        passed = passed.astype(float)
        fit = binary.fit_binary(passed, np.ones(20), X)

        def negative(beta):
            share = special.expit(X @ beta)
            information = (X.T * (share * (1 - share))) @ X
            likelihood = passed @ special.log_expit(X @ beta) + (1 - passed) @ special.log_expit(-X @ beta)
            return -likelihood - 0.5 * np.linalg.slogdet(information)[1]

        row = np.array([1.0, 0.5, -0.5, 1.0])
        ends = special.logit(binary.pass_shares(fit, row[None]).limits[0])
        for end in ends:
            inside = (fit.estimates @ row - end) / (row @ row)
            found = optimize.minimize(
                negative,
                fit.estimates - inside * row,
                method="SLSQP",
                constraints={"type": "eq", "fun": lambda beta, end=end: beta @ row - end},
                options={"ftol": 1e-13, "maxiter": 500},
            )
            assert 2 * (fit.log_likelihood + found.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-5)

    def test_gradient_and_curvature_by_differences(self):
        passed, tested, X = lizards()
        data = firth.Trials(passed, tested, X)
        at = np.array([1.0, 0.5, -0.2, -0.4, 0.1, -0.3])
        here = firth.evaluate(data, at[None])
        steps = 1e-5 * np.eye(6)
        up, down = firth.evaluate(data, at + steps), firth.evaluate(data, at - steps)
        np.testing.assert_allclose(here.gradient[0], (up.value - down.value) / 2e-5, rtol=1e-6)
        np.testing.assert_allclose(here.curvature[0], -(up.gradient - down.gradient) / 2e-5, rtol=1e-6, atol=1e-6)

    def test_many_directions_at_once_are_each_alone(self):
        X, load, generator = plan()
        fit = binary.fit_binary(generator.integers(0, 2, 30), np.ones(30), X, load)
        together = binary.pass_shares(fit, X).limits
        alone = np.vstack([binary.pass_shares(fit, row[None]).limits for row in X])
        np.testing.assert_allclose(together, alone, atol=1e-7)


class TestAllowances:
    def test_dispersion_is_pearsons(self):
        # Two prints of ten at each of two settings: everything is a mean of two, with Firth's half in each group.
        passed = np.array([1.0, 9.0, 2.0, 8.0])
        fit = binary.fit_binary(passed, np.full(4, 10), np.column_stack([np.ones(4), [-1.0, -1, 1, 1]]))
        assert fit.estimates == pytest.approx([0, 0], abs=1e-12)
        assert fit.dispersion == pytest.approx((16 + 16 + 9 + 9) / 2.5 / 2)
        assert fit.dof == 2

    def test_without_spread_the_dispersion_is_one(self):
        fit = binary.fit_binary(np.full(6, 5), np.full(6, 10), np.ones((6, 1)))
        assert (fit.dispersion, fit.dof) == (1, 5)

    def test_limits_scale_with_the_dispersion(self):
        passed = np.array([1.0, 9.0, 2.0, 8.0])
        X = np.column_stack([np.ones(4), [-1.0, -1, 1, 1]])
        fit = binary.fit_binary(passed, np.full(4, 10), X)
        plain = firth.profile(
            fit.data, firth.maximise(fit.data), np.eye(2), np.full(2, stats.t.ppf(0.975, 2) * 10**0.5)
        )
        np.testing.assert_allclose(binary.coefficient_limits(fit), plain, rtol=1e-6)

    def test_coupons_that_count_as_one_are_their_print(self):
        # Prints that pass or fail as a whole: five coupons of each are one value of it. A part of a print is between them.
        X, load, generator = plan()
        passed = generator.integers(0, 2, 30)
        prints = binary.fit_binary(passed, np.ones(30), X, load)
        coupons = binary.fit_binary(5 * passed, np.full(30, 5), X, load, as_one=True)
        np.testing.assert_allclose(coupons.estimates, prints.estimates, rtol=1e-12)
        limits = (binary.pass_shares(fit, X[:2]).limits for fit in (coupons, prints))
        np.testing.assert_allclose(*limits, rtol=1e-12)
        assert (coupons.dispersion, coupons.dof) == (1, np.inf)
        part = binary.fit_binary([5, 5, 2], np.full(3, 5), np.ones((3, 1)), as_one=True)
        assert part.estimates[0] == pytest.approx(np.log(2.9 / 1.1))  # Jeffreys: 2.4 + 1/2 to 0.6 + 1/2

    def test_loads_that_differ_widen(self):
        X, load, generator = plan()
        shift = np.array([-4.0, 4, -3, 3, -2, 2])[load]
        passed = generator.random(30) < special.expit(shift)
        row = X.mean(axis=0, keepdims=True)
        plain, fit = (binary.fit_binary(passed, np.ones(30), X, codes) for codes in (None, load))
        widths = [np.diff(special.logit(binary.pass_shares(one, row).limits[0]))[0] for one in (plain, fit)]
        assert widths[1] > 2 * widths[0]
        assert fit.reasons == ()

    def test_few_loads_are_said(self):
        X, load, generator = plan(loads=3)
        fit = binary.fit_binary(generator.integers(0, 2, 30), np.ones(30), X, load)
        assert "3 loads leave 2 comparisons of loads" in fit.reasons[0]


class TestNoFailure:
    def test_prints_on_their_own_are_clopper_and_pearsons(self):
        # 0 of 10: upper limit of the failing share 0.3085 at 95 %, as in tables of exact binomial limits (from memory).
        assert 1 - binary.no_failure_bound(10, 0.025) == pytest.approx(0.3085, abs=5e-5)
        assert binary.no_failure_bound(10, 0.05, np.arange(10)) == pytest.approx(stats.beta.ppf(0.05, 10, 1))

    def test_in_loads_the_probability_of_no_failure_is_the_tail(self):
        load = np.repeat([0, 1, 2, 3, 4], [6, 6, 4, 3, 3])
        bound = binary.no_failure_bound(22, 0.05, load)
        assert 0.05 ** (1 / 5) < bound < 0.05 ** (1 / 22)
        shifts = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
        found = []
        for sd in binary.LOAD_SDS:
            reach = 10 * (1 + sd)
            centre = optimize.brentq(lambda at, sd=sd: special.expit(at + sd * shifts).mean() - bound, -reach, reach)
            chance = special.expit(centre + sd * shifts)
            found.append(np.prod([np.mean(chance**size) for size in (6, 6, 4, 3, 3)]))
        assert np.mean(found) == pytest.approx(0.05, rel=0.02)


class TestTooLittle:
    @pytest.mark.parametrize(("value", "word"), [(1, "passed"), (0, "failed")])
    @pytest.mark.parametrize("coupons", [1, 5])
    @pytest.mark.parametrize("columns", [0, 3, 14])
    def test_all_the_same(self, value, word, coupons, columns):
        X, load, _ = plan(columns=columns)
        fit = binary.fit_binary(np.full(30, value * coupons), np.full(30, coupons), X, load)
        shares = binary.pass_shares(fit, X)
        assert np.isfinite(fit.estimates).all()
        assert np.isfinite(binary.coefficient_limits(fit)).all()
        assert ((shares.limits >= 0) & (shares.limits <= 1)).all()
        assert (shares.estimates > 0.5).all() == bool(value)
        assert f"all {30 * coupons} values {word}" in fit.reasons[0]

    @pytest.mark.parametrize("passed", [0, 1])
    def test_one_print(self, passed):
        fit = binary.fit_binary([passed], [1], [[1.0, 0.3, -0.5]], [0])
        shares = binary.pass_shares(fit, [[1.0, -1.0, 1.0]])
        assert shares.estimates[0] == pytest.approx(0.75 if passed else 0.25)  # Jeffreys: (k + 1/2) / (n + 1)
        assert 0 < shares.limits[0, 0] < 0.5 < shares.limits[0, 1] < 1
        assert any("only the overall share" in reason for reason in fit.reasons)
        assert np.isinf(binary.coefficient_limits(fit)[1:]).all()

    def test_separation_with_fifteen_columns(self):
        X, load, _ = plan(columns=14)
        fit = binary.fit_binary(X[:, 1] > 0, np.ones(30), X, load)
        assert np.isfinite(binary.coefficient_limits(fit)).all()
        shares = binary.pass_shares(fit, X)
        assert (shares.limits[:, 0] <= shares.estimates).all() and (shares.estimates <= shares.limits[:, 1]).all()

    def test_a_share_beyond_double_precision(self):
        # Nearly as many columns as prints: linear predictors far beyond 37 logits, where a share rounds to one.
        generator = np.random.default_rng(0)
        X = np.column_stack([np.ones(30), generator.choice([-1.0, 0.0, 1.0], (30, 24))])
        fit = binary.fit_binary(np.where(X[:, 1] > 0, 5, 0), np.full(30, 5), X)
        assert np.isfinite(fit.dispersion)
        assert np.isfinite(binary.pass_shares(fit, X).limits).all()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"successes": [1]}, "one entry for each print"),
        ({"successes": [2, 0]}, "whole numbers from 0 to the trials"),
        ({"successes": [0.5, 0]}, "whole numbers from 0 to the trials"),
        ({"trials": [1, 0]}, "whole numbers from 0 to the trials"),
        ({"X": [[1, np.inf], [1, 0]]}, "finite numbers"),
        ({"X": [[2, 1], [1, 0]]}, "first column is the intercept"),
        ({"load": [0]}, "load needs one whole number"),
    ],
)
def test_arguments_that_are_refused(changes, message):
    given = {"successes": [1, 0], "trials": [1, 1], "X": [[1, 0], [1, 1]]}
    with pytest.raises(ValueError, match=message):
        binary.fit_binary(**(given | changes))


def test_rows_of_another_length_are_refused():
    fit = binary.fit_binary([1, 0], [1, 1], [[1], [1]])
    with pytest.raises(ValueError, match="1 columns"):
        binary.pass_shares(fit, [[1, 0]])
