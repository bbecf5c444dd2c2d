"""Completion of prints: what counts, closed forms of the models, and how much of the declared model is fitted."""

import dataclasses
import functools
import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, special, stats

from doe.design.plan import PILOT, plan_runs
from doe.design.request import PlanRequest
from doe.model import completing, completion
from doe.model.completing import DECLARED, MAIN, OVERALL, chances, fit_tried
from doe.model.results import as_data
from doe.model.tried import tried_prints
from doe.numerics import binary
from doe.report import completion as tables
from doe.report import numbers as numbers_of
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.numerics.published import numbers
from tests.records import simulated
from tests.reference_data import expected_of

TWO = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]
BARS = {"name": "z_strength", "unit": "MPa", "coupons": 5, "at_least": 25.0}
LID = {"name": "lid_fits", "kind": "pass_fail", "per": "print"}


RESPONSES = {"bars": [BARS], "lid": [LID], "bars of two kinds": [BARS, {**BARS, "name": "other", "coupons": 3}]}


@functools.cache
def case(responses="bars"):
    """Return a study of four corners and a centre, its plan and a record without failures; tests change copies."""
    study = make_study(
        factors=TWO, model={"terms": "interactions"}, printers=[], responses=RESPONSES[responses], budget={"loads": 8}
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=8, seed=1))
    return study, design, simulated(study, design)


def changed(record, table, name, **cells):
    """Return the record with other cells in the row of one print or coupon."""
    whole = getattr(record, table).copy()
    for column, value in cells.items():
        whole.loc[whole[table[:-1]] == name, column] = value
    return replace(record, **{table: whole})


def failed(record, names, outcome="detached"):
    """Return the record in which some prints failed and left no value."""
    for name in names:
        record = changed(record, "prints", name, outcome=outcome)
        coupons = record.coupons.copy()
        mine = coupons["print"] == name
        coupons.loc[mine, "outcome"] = ""
        coupons.loc[mine, "z_strength"] = np.nan
        record = replace(record, coupons=coupons)
    return record


def counted(study, design, record, name):
    """Return k and m of one print; None where it does not count."""
    found = tried_prints(study, design, record)
    at = {design.runs["print"].iloc[row]: place for place, row in enumerate(found.rows)}
    return (found.completed[at[name]], found.coupons[at[name]]) if name in at else None


def fitted(study, design, record, level=0.95):
    return completion.completion_fit(study, design, record, scale.model_terms(study), level)


class TestCounting:
    @pytest.mark.parametrize(
        ("outcome", "expected"),
        [
            ("completed", (5, 5)), ("", (5, 5)), ("no break", (5, 5)), ("broke in grips", (5, 5)),
            ("broke in handling", (5, 5)), ("detached", (4, 5)), ("clogged", (4, 5)), ("warped", (4, 5)),
            ("lost", (4, 4)), ("skipped", (4, 4)),
        ],
    )  # fmt: skip
    def test_a_coupon_of_a_print_that_completed(self, outcome, expected):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        record = changed(record, "coupons", f"{name}-2", outcome=outcome, z_strength=np.nan)
        assert counted(study, design, record, name) == expected

    @pytest.mark.parametrize(
        ("cells", "expected"),
        [
            ({"outcome.other": "detached"}, (4, 5)), ({"outcome.other": "broke in grips"}, (5, 5)),
            ({"outcome": "detached", "outcome.other": "completed"}, (4, 5)),
            ({"outcome": "lost", "outcome.other": "completed"}, (5, 5)), ({"outcome.other": "lost"}, (5, 5)),
            ({"outcome.z_strength": "lost", "outcome.other": "skipped"}, (4, 4)),
        ],
    )  # fmt: skip
    def test_a_coupon_is_printed_where_no_piece_of_it_failed(self, cells, expected):
        study, design, record = case("bars of two kinds")
        name = design.runs["print"].iloc[3]
        assert counted(study, design, changed(record, "coupons", f"{name}-2", **cells), name) == expected

    def test_the_own_outcome_of_a_test_without_such_a_piece_says_nothing(self):
        study, design, record = case("bars of two kinds")
        name = design.runs["print"].iloc[3]
        assert counted(study, design, changed(record, "coupons", f"{name}-5", **{"outcome.other": "warped"}), name) == (5, 5)

    @pytest.mark.parametrize("outcome", ["detached", "clogged", "warped"])
    def test_a_failed_print_is_none_of_all_its_coupons(self, outcome):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        assert counted(study, design, failed(record, [name], outcome), name) == (0, 5)

    @pytest.mark.parametrize("outcome", ["lost", "skipped"])
    def test_what_was_not_tried_does_not_count(self, outcome):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        assert counted(study, design, changed(record, "prints", name, outcome=outcome), name) is None

    def test_a_print_without_outcome_or_value_is_not_recorded_yet(self):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        bare = failed(record, [name], "")
        assert counted(study, design, bare, name) is None
        assert counted(study, design, changed(bare, "coupons", f"{name}-1", z_strength=31.0), name) == (5, 5)

    def test_a_print_all_of_whose_coupons_are_lost_does_not_count(self):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        for number in range(1, 6):
            record = changed(record, "coupons", f"{name}-{number}", outcome="lost", z_strength=np.nan)
        assert counted(study, design, record, name) is None

    def test_pilot_prints_do_not_count(self):
        study, design, record = case()
        runs = design.runs.copy()
        runs.loc[runs.index[:2], "round"] = PILOT
        assert len(tried_prints(study, replace(design, runs=runs), record).rows) == len(runs) - 2

    @pytest.mark.parametrize(("value", "expected"), [(31.0, 1), (0.0, 0)])
    def test_a_failed_print_with_a_value_is_partly_completed_and_said(self, value, expected):
        study, design, record = case()
        name = design.runs["print"].iloc[3]
        record = changed(failed(record, [name]), "coupons", f"{name}-1", z_strength=value)
        assert counted(study, design, record, name) == (expected, 5)
        said = [one for one in fitted(study, design, record).verdicts if one.name == "failed prints with values"]
        assert len(said) == expected and all(name in one.cause for one in said)

    def test_without_coupons_a_print_is_one(self):
        study, design, record = case("lid")
        name = design.runs["print"].iloc[3]
        assert counted(study, design, record, name) == (1, 1)
        assert counted(study, design, changed(record, "prints", name, outcome="warped"), name) == (0, 1)

    def test_the_most_coupons_of_any_response_are_those_of_the_print(self):
        study, design, record = case("bars of two kinds")
        assert counted(study, design, record, design.runs["print"].iloc[0]) == (5, 5)


class TestClosedForms:
    # Clopper and Pearson (1934), limits for 0 of n: 1 - (tail)^(1/n). 0 of 10 at 95 %: upper limit 0.3085, as in tables of
    # exact binomial limits (from memory); one-sided, the "rule of three" 3/n (Hanley and Lippman-Hand, JAMA 249 (1983) 1743).
    def test_without_a_failure_the_limits_are_exact(self):
        model = fit_tried(np.full(10, 5.0), np.full(10, 5.0), np.ones((10, 1)), np.array([True]), None)
        (found,) = chances(model, np.ones((1, 1)), 0.95)
        assert found[:3] == pytest.approx([1.0, 1 - 0.3085, 1.0], abs=5e-5)
        assert found[3] == pytest.approx(0.05**0.1)
        # The probability of ten in ten at the bound is the error, by the definition of the limit.
        assert stats.binom.pmf(10, 10, found[3]) == pytest.approx(0.05)
        assert stats.binom.pmf(10, 10, found[1]) == pytest.approx(0.025)

    def test_where_every_print_failed_they_are_exact_too(self):
        model = fit_tried(np.zeros(10), np.full(10, 5.0), np.ones((10, 1)), np.array([True]), None)
        assert chances(model, np.ones((1, 1)), 0.95)[0] == pytest.approx([0, 0, 0.3085, 0], abs=5e-5)

    @pytest.mark.parametrize("number", [1, 3])
    def test_two_by_two_tables(self, number):
        # Firth (1993); Heinze and Schemper (2002): log odds ratio after adding 1/2 to every cell. Five coupons a print, alike.
        expected = next(
            one for one in expected_of("F_firth_2x2_closed_form")["closed_form"] if one["table"] == number
        )
        data = numbers("F_firth_2x2_closed_form")
        mine = data["table"] == number
        counts = [count for pair in zip(data["success"][mine], data["failure"][mine], strict=True) for count in pair]
        done = np.repeat([5.0, 0, 5, 0], np.array(counts, dtype=int))
        X = np.column_stack([np.ones(len(done)), np.repeat([0.0, 0, 1, 1], np.array(counts, dtype=int))])
        model = fit_tried(done, np.full(len(done), 5.0), X, np.ones(2, dtype=bool), None)
        np.testing.assert_allclose(model.fit.estimates, [expected["intercept"], expected["slope"]], atol=1e-12)

    def test_part_of_a_print_is_a_part_of_one_trial(self):
        # One proportion: Jeffreys' half is added to the sum of shares, 10 prints of which one left 2 of 5.
        done = np.append(np.full(9, 5.0), 2.0)
        model = fit_tried(done, np.full(10, 5.0), np.ones((10, 1)), np.array([True]), None)
        assert model.fit.estimates[0] == pytest.approx(np.log((9.4 + 0.5) / (0.6 + 0.5)))

        def drop(logit):
            return 9.9 * special.log_expit(logit) + 1.1 * special.log_expit(-logit)

        top = model.fit.estimates[0]
        end = optimize.brentq(lambda at: drop(at) - drop(top) + stats.norm.ppf(0.95) ** 2 / 2, -10, top)
        assert chances(model, np.ones((1, 1)), 0.95)[0, 3] == pytest.approx(special.expit(end), rel=1e-6)


class TestHowMuchIsFitted:
    X = np.column_stack([np.ones(40), *np.random.default_rng(4).choice([-1.0, 0, 1], (5, 40))])
    IS_MAIN = np.array([True, True, True, False, False, False])

    def model(self, failures):
        done = np.ones(40)
        done[np.random.default_rng(5).permutation(40)[:failures]] = 0
        return fit_tried(done, np.ones(40), self.X, self.IS_MAIN, None)

    @pytest.mark.parametrize(
        ("failures", "method", "columns"),
        [(0, OVERALL, 1), (1, MAIN, 3), (2, MAIN, 3), (3, DECLARED, 6), (37, DECLARED, 6), (38, MAIN, 3), (40, OVERALL, 1)],
    )
    def test_by_the_rarer_of_failed_and_completed(self, failures, method, columns):
        model = self.model(failures)
        assert (model.method, len(model.kept)) == (method, columns)
        assert str(failures) in model.reason or failures in (0, 40)

    def test_few_failures_bound_no_chance_from_above(self):
        two, three = (chances(self.model(failures), self.X, 0.95) for failures in (2, 3))
        assert (two[:, 2] == 1).all() and (three[:, 2] < 1).all() and (two[:, 1] > 0).all()
        few = chances(self.model(38), self.X, 0.95)
        assert (few[:, 1] == 0).all() and (few[:, 3] == 0).all() and (few[:, 2] < 1).all()

    def test_the_limits_are_those_of_the_logit_model(self):
        model = self.model(6)
        done = model.shares
        alone = binary.fit_binary(done, np.ones(40), self.X)
        found = chances(model, self.X[:3], 0.90)
        np.testing.assert_allclose(found[:, 1:3], binary.pass_shares(alone, self.X[:3], 0.90).limits, rtol=1e-6)
        np.testing.assert_allclose(found[:, 3], binary.pass_shares(alone, self.X[:3], 0.80).limits[:, 0], rtol=1e-6)

    def test_main_effects_bound_a_chance_on_the_side_of_the_commoner_outcome(self):
        X = np.column_stack([self.X, *np.random.default_rng(6).choice([-1.0, 1], (4, 40))])
        done = np.repeat([1.0, 0], [36, 4])
        models = [fit_tried(one, np.ones(40), X, np.arange(10) < 3, None) for one in (done, 1 - done)]
        assert [model.method for model in models] == [MAIN, MAIN]
        few, many = (chances(model, X, 0.95) for model in models)
        assert (few[:, 1] > 0).all() and (few[:, 2] == 1).all() and (few[:, 3] > few[:, 1]).all()
        np.testing.assert_allclose(many[:, :3], 1 - few[:, [0, 2, 1]], atol=1e-7)
        assert (many[:, 3] == 0).all()

    def test_no_bound_claims_more_than_without_a_failure(self):
        load = np.arange(40) % 5
        none, one = (
            completing.overall_chance(fit_tried(done, np.ones(40), self.X, self.IS_MAIN, load), 0.95)
            for done in (np.ones(40), np.append(np.ones(39), 0.0))
        )
        assert one.lower <= none.lower < 0.05 ** (1 / 40) and one.low <= none.low

    def test_a_choice_widens_by_bonferroni_for_twice_the_coefficients(self):
        model = self.model(6)
        found, each = chances(model, self.X[:1], 0.95, chosen=True)[0], 0.05 / 12
        np.testing.assert_allclose(found[1:3], binary.pass_shares(model.fit, self.X[:1], 1 - each).limits[0], rtol=1e-6)
        lower = binary.pass_shares(model.fit, self.X[:1], 1 - 2 * each).limits[0, 0]
        assert found[3] == pytest.approx(lower, rel=1e-6)

    def test_main_effects_that_the_prints_cannot_tell_apart(self):
        X = np.column_stack([np.ones(10), np.ones(10)])
        model = fit_tried(np.append(np.ones(9), 0), np.ones(10), X, np.ones(2, dtype=bool), None)
        assert model.method == OVERALL and "cannot tell 2 coefficients" in model.reason

    def test_a_level_outside_is_refused(self):
        with pytest.raises(ValueError, match="between 0 and 1"):
            chances(self.model(0), self.X, 1.0)


class TestWholeStudies:
    def hot(self, design):
        return list(design.runs.loc[design.runs["target.nozzle_temperature"] == 285, "print"])

    def test_the_setting_that_fails_is_found(self):
        study, design, record = case()
        hot = self.hot(design)
        fit = fitted(study, design, failed(record, hot[: len(hot) - 3]))
        slope = next(one for one in fit.columns if one.label == "nozzle_temperature")
        assert fit.method == DECLARED and slope.high < 0
        for one in fit.settings:
            assert 0 <= one.low <= one.lower <= one.chance <= one.high <= 1
            assert (one.chance < 0.5) == ("285" in one.setting) == (one.whole < one.prints)
        assert sum(one.prints for one in fit.settings) == fit.prints == len(design.runs)
        assert (fit.failed, fit.completed) == (len(hot) - 3, 5 * (fit.prints - len(hot) + 3))

    def test_new_settings_agree_with_printed_ones(self):
        study, design, record = case()
        record = failed(record, self.hot(design)[:6])
        fit = fitted(study, design, record)
        model = completion.completion_model(study, design, record, scale.model_terms(study))
        corners = {one.setting: one for one in fit.settings}
        (found,) = completion.chance_at(model, np.array([[1.0, -1.0]]), 0.95)
        (here,) = [one for text, one in corners.items() if "285" in text and "4 h" in text]
        assert dataclasses.astuple(found) == pytest.approx((here.chance, here.low, here.high, here.lower), rel=1e-9)

    def test_loads_that_fail_together_widen(self):
        study, design, record = case()
        loads = design.runs["load"]
        record = failed(record, design.runs.loc[loads.isin(loads.unique()[:2]), "print"])
        apart = replace(design, runs=design.runs.assign(load=[f"L{row:02d}" for row in range(len(design.runs))]))
        together, alone = fitted(study, design, record), fitted(study, apart, record)
        assert together.load_sd > 1 and alone.load_sd is None
        assert together.overall.lower < alone.overall.lower - 0.1

    def test_settings_that_were_used_count_not_the_planned_ones(self):
        study, design, record = case()
        record = failed(record, self.hot(design)[:6])
        prints = record.prints.copy()
        prints["used.nozzle_temperature"] = np.where(prints["print"].isin(self.hot(design)), 270.0, np.nan)
        moved = replace(record, prints=prints)
        models = [completion.completion_model(study, design, one, scale.model_terms(study)) for one in (record, moved)]
        # Half the range: the same data on a shorter axis, so that the far end is estimated lower.
        far = [completion.chance_at(model, np.array([[1.0, 0.0]]), 0.95)[0].chance for model in models]
        assert far[1] < far[0]

    @pytest.mark.parametrize(("size", "low", "high"), [(1.0, 0.6, 1.0), (0.0, 0.0, 0.25)])
    def test_coupons_of_a_print_that_fall_together_or_not(self, size, low, high):
        study, design, record = case()
        generator = np.random.default_rng(3)
        for name in design.runs["print"]:
            fallen = np.full(5, generator.random() < 0.3) if size else generator.random(5) < 0.3
            for number in np.flatnonzero(fallen) + 1:
                record = changed(record, "coupons", f"{name}-{number}", outcome="detached", z_strength=np.nan)
        assert low <= fitted(study, design, record).likeness <= high

    def test_the_likeness_is_that_of_all_pairs_of_coupons(self):
        study, design, record = case()
        generator = np.random.default_rng(8)
        for name in design.runs["print"]:
            for number in np.flatnonzero(generator.random(5) < generator.choice([0.05, 0.5])) + 1:
                record = changed(record, "coupons", f"{name}-{number}", outcome="clogged", z_strength=np.nan)
        fit = fitted(study, design, record)
        chance = {one.cell: one.chance for one in fit.settings}
        above, below = 0.0, 0.0
        for name, cell in zip(design.runs["print"], design.runs["cell"], strict=True):
            mine, p = record.coupons[record.coupons["print"] == name], chance[cell]
            rest = (mine["outcome"] != "clogged").to_numpy(dtype=float) - p
            above += sum(rest[i] * rest[j] for i in range(5) for j in range(5) if i != j)
            below += 20 * p * (1 - p)
        assert 0 < fit.likeness < 1 and fit.likeness == pytest.approx(above / below, rel=1e-9)

    def test_every_print_failed(self):
        study, design, record = case()
        fit = fitted(study, design, failed(record, design.runs["print"]))
        assert [one.name for one in fit.verdicts] == ["every print failed"]
        assert fit.overall.chance == 0 and fit.columns == ()

    def test_no_failure_has_no_verdict(self):
        study, design, record = case()
        fit = fitted(study, design, record)
        table = tables.completion_chances(fit)
        assert "one chance, from all prints together, and none for a single setting" in table.note
        assert "Each interval holds for one setting" not in table.note
        # one bound from all prints: no setting with its few prints has it for itself
        assert table.rows[0][0] == "all settings, not told apart" and table.rows[0][1] == f"{fit.prints} of {fit.prints}"
        assert table.rows[0][5] == numbers_of.percent_bound(fit.overall.lower) and fit.overall.lower > 0.05 ** (1 / 8)
        assert len(table.rows) == 1 + len(fit.settings) and {row[3:] for row in table.rows[1:]} == {("", "", "")}
        assert fit.verdicts == ()
        load = np.unique(design.runs["load"], return_inverse=True)[1]
        assert fit.overall.lower == pytest.approx(binary.no_failure_bound(fit.prints, 0.05, load))

    def test_nothing_recorded(self):
        study, design, record = case()
        empty = replace(record, prints=record.prints.iloc[:0], coupons=record.coupons.iloc[:0])
        assert fitted(study, design, empty).overall is None
        assert completion.completion_model(study, design, empty, scale.model_terms(study)) is None

    def test_printers_and_rounds_are_in_the_model(self):
        study, design, record = case()
        runs = design.runs.assign(printer=np.where(np.arange(len(design.runs)) % 3 == 0, "A", "B"))
        slow = runs.loc[runs["printer"] == "A", "print"].iloc[:2]
        fit = fitted(study, replace(design, runs=runs), failed(record, slow))
        assert fit.method == MAIN
        assert next(one for one in fit.columns if one.label == "printer A").estimate < 0

    def test_the_result_survives_json_and_is_shown(self):
        study, design, record = case()
        fit = fitted(study, design, failed(record, self.hot(design)[:1]))
        data = json.loads(json.dumps(as_data(fit), allow_nan=False))
        assert set(data) == {field.name for field in dataclasses.fields(completion.CompletionFit)}
        facts = dict(tables.completion_facts(fit).rows)
        assert facts["completed with every coupon"] == f"{fit.prints - 1} of {fit.prints}"
        assert facts["model"] == completing.MAIN and facts["why this much"].startswith(f"1 of {fit.prints} prints failed")
        assert len(tables.completion_columns(fit).rows) == 3
        (row,) = [one for one in tables.completion_chances(fit).rows if one[1] == "7 of 8"]
        assert row[2] == "35 of 40" and row[4].endswith("to > 99.9 %")
