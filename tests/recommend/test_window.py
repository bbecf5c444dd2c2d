"""The process window where it is known: by brute force over every setting, by hand, and from studies of known truths."""

import dataclasses
import itertools
import time
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from doe.model import data
from doe.numerics.box import widest_box
from doe.recommend import loads_to_show, outlook, search, widest, window
from doe.recommend.bounds import Chosen, estimates_and_bounds
from doe.recommend.search import Axis, Region
from doe.study import scale
from doe.study.spec import Factor
from tests.recommend.test_choose import (
    DRYING,
    NINE,
    NOZZLE,
    STRENGTH,
    SURFACE,
    grid,
    make_design,
    make_record,
    make_study,
)

REQUIRED = 0.9
U = np.random.default_rng(1).permutation(np.linspace(0, 1, 600))


@dataclass
class Known:
    """A posterior of known shares: ``share(coded, u)`` with u from 0 (lowest) to 1, one value a draw."""

    share: object
    size = len(U)

    def shares(self, coded, draws=None, skipped=0):
        of = U[skipped:draws]
        return np.broadcast_to(self.share(coded, of), (len(coded), len(of))).astype(np.float32)

    def by_response(self, coded):
        return {"strength": self.shares(coded)[0]}


@dataclass
class Allowing:
    """A region of given axes in which some settings are barred."""

    axes: tuple
    barred: object = None
    constrained: object = None
    views: tuple = ()

    coded = Region.coded

    def _natural(self, places):
        return np.column_stack([axis.natural[column] for axis, column in zip(self.axes, places.T, strict=True)])

    def keeps_constraints(self, places):
        return np.ones(len(places), dtype=bool) if self.constrained is None else ~self.constrained(self._natural(places))

    def allows(self, places):
        kept = self.keeps_constraints(places)
        return kept if self.barred is None else kept & ~self.barred(self._natural(places))


def axis_of(name, low, high, increment, sd=0.0):
    factor = Factor(name=name, unit="degC", low=low, high=high, increment=increment, setpoint_sd=sd)
    natural = np.arange(low, high + increment / 2, increment, dtype=float)
    return Axis(factor, natural, (natural - factor.centre) / factor.half_range)


def levels_of(name, *levels):
    return Axis(Factor(name=name, levels=levels), np.arange(float(len(levels))), np.arange(float(len(levels))))


def about(axes, share, here, barred=None, constrained=None, quantile=0.05):
    return Chosen(Allowing(tuple(axes), barred, constrained), Known(share), np.array(here), REQUIRED, quantile)


def ends_of(found):
    return {one.factor: (one.low, one.high) if one.low is not None else one.levels for one in found.reaches}


def every_setting(chosen, found):
    """Return places of every setting of the increments in the window."""
    own = []
    for axis, one in zip(chosen.area.axes, found.reaches, strict=True):
        if one.low is None:
            own.append([place for place in range(len(axis.natural)) if axis.value(place) in one.levels])
        else:
            own.append(np.flatnonzero((axis.natural >= one.low - 1e-9) & (axis.natural <= one.high + 1e-9)))
    return np.array(list(itertools.product(*own)))


def all_pass(chosen, places):
    return bool(chosen.area.allows(places).all() and (estimates_and_bounds(chosen, places)[1] >= REQUIRED).all())


def hill(weights, spread=0.02, top=1.0):
    """Return shares that fall with the squared distance from the middle; draws differ by a constant."""

    def share(coded, u):
        return np.clip(top - ((coded**2) @ np.array(weights))[:, None] + spread * (u - 1), 0, 1)

    return share


class TestBox:
    def test_widest_box_of_an_ellipse_by_hand(self):
        # The bound is 1 - 0.019 - 0.2 (x^2 + y^2) or so: 0.9 at x^2 + y^2 = 0.405; the widest box is a square with a
        # half-width of 0.45 of the half range, 4.5 increments of 0.1 on each side: 0.4 on one side and 0.4 or 0.5 on the other.
        axes = [axis_of("a", -10, 10, 1), axis_of("b", -10, 10, 1)]
        chosen = about(axes, hill([0.2, 0.2]), (10, 10))
        found = window.find_window(chosen)
        (a, b) = ends_of(found).values()
        assert {a, b} <= {(-4.0, 4.0), (-4.0, 5.0), (-5.0, 4.0)}
        assert found.complete and found.settings == found.checked == len(every_setting(chosen, found))
        assert found.reason == "" and all(one.ends == ("bound", "bound") for one in found.reaches)

    def test_few_settings_give_the_widest_box_there_is(self):
        random = np.random.default_rng(5)
        for _ in range(5):
            weights = random.uniform(0.05, 0.4, 2)
            here = tuple(random.integers(4, 8, 2))
            axes = [axis_of("a", 0, 12, 1, sd=0.7), axis_of("b", 0, 12, 1, sd=2.0)]
            chosen = about(axes, hill(weights), here)
            every = np.array(list(np.ndindex(13, 13)))
            ok = (estimates_and_bounds(chosen, every)[1] >= REQUIRED).reshape(13, 13)
            best = widest_box(ok, here, [axis.natural for axis in axes], [0.7, 2.0])
            assert [one.half_width for one in window.find_window(chosen).reaches] == pytest.approx(list(best.half_widths))

    def test_a_constraint_that_bars_all_settings_but_one_leaves_that_one(self):
        axes = [axis_of("a", 0, 4, 1), axis_of("b", 0, 4, 1)]
        chosen = about(axes, hill([0.01, 0.01]), (2, 2), constrained=lambda natural: (natural != 2).any(axis=1))
        assert ends_of(window.find_window(chosen)) == {"a": (2.0, 2.0), "b": (2.0, 2.0)}

    @pytest.mark.parametrize("tilt", [0.0, 0.6])
    def test_every_setting_of_a_box_in_four_factors_passes(self, tilt):
        axes = [axis_of("a", 0, 30, 1, 2.0), axis_of("b", 0, 20, 1, 1.0), axis_of("c", 0, 10, 1), axis_of("d", 0, 16, 1, 0.5)]
        turn = np.eye(4) + tilt * np.diag(np.ones(3), 1)

        def share(coded, u):
            return hill([0.3, 0.15, 0.1, 0.05])(coded @ turn, u)

        chosen = about(axes, share, (15, 10, 5, 8))
        found = window.find_window(chosen)
        assert all_pass(chosen, every_setting(chosen, found))
        for one, axis in zip(found.reaches, axes, strict=True):
            assert one.half_width > 0 and one.scale == (axis.factor.setpoint_sd or 1)

    def test_no_side_of_a_box_that_was_evaluated_can_move(self):
        axes = [axis_of("a", 0, 30, 1, 2.0), axis_of("b", 0, 20, 1, 1.0), axis_of("c", 0, 10, 1)]
        chosen = about(axes, hill([2.0, 1.0, 0.8]), (16, 9, 5))
        found = window.find_window(chosen, most=5000)
        assert found.complete
        places = every_setting(chosen, found)
        for i, axis in enumerate(axes):
            for end, way in ((places[:, i].min(), -1), (places[:, i].max(), 1)):
                slab = places[places[:, i] == end].copy()
                slab[:, i] += way
                assert 0 <= end + way < len(axis.natural)
                assert not all_pass(chosen, slab)

    def test_a_hole_is_cut_out(self):
        def share(coded, u):
            hole = (np.abs(coded[:, 0] - 0.4) < 0.02) & (np.abs(coded[:, 1] + 0.2) < 0.02)
            return np.where(hole, 0.5, 1.0)[:, None] - 0.01 * u

        axes = [axis_of("a", -50, 50, 1), axis_of("b", -50, 50, 1)]
        chosen = about(axes, share, (50, 50))
        found = window.find_window(chosen, most=20_000)
        assert found.complete and all_pass(chosen, every_setting(chosen, found))

    def test_what_was_not_evaluated_is_said(self):
        axes = [axis_of(name, 0, 30, 1) for name in "abcd"]
        found = window.find_window(about(axes, hill([0.0] * 4), (15,) * 4))
        assert not found.complete and found.checked < found.settings == 31**4

    @pytest.mark.parametrize(("below", "passes"), [(29, True), (30, False)])
    def test_of_600_draws_fewer_than_5_percent_may_be_below(self, below, passes):
        # 30 of 600 are 5 %: the bound is the 30th smallest, so 29 may be below.
        chosen = about([axis_of("a", 0, 10, 1)], lambda coded, u: np.where(u < (below - 0.5) / 599, 0.0, 1.0)[None], (5,))
        checked = widest.Checked(chosen, most=100)
        assert checked.passes(np.array([[2], [8]])).tolist() == [passes, passes]
        assert (estimates_and_bounds(chosen, np.array([[2]]))[1] >= REQUIRED).tolist() == [passes]


class TestFactors:
    def test_a_factor_without_effect_is_not_critical(self):
        axes = [axis_of("a", -10, 10, 1, 1.0), axis_of("b", -10, 10, 1, 1.0)]
        found = window.find_window(about(axes, hill([0.2, 0.0]), (10, 3)))
        a, b = found.reaches
        assert (b.low, b.high, b.critical, b.nearer) == (-10, 10, False, None)
        assert (a.low, a.high, a.critical) == (-6, 6, True)  # 0.2 x^2 <= 0.081: x = 0.64
        assert found.narrowest == "a"

    def test_one_factor(self):
        found = window.find_window(about([axis_of("a", -10, 10, 0.5, 2.0)], hill([0.2]), (26,)))
        (one,) = found.reaches
        assert (one.low, one.high, one.recommended) == (-6, 6, 3)
        assert (one.half_width, one.nearer) == (3.0, 1.5)

    def test_a_fine_axis_ends_on_its_increments(self):
        found = window.find_window(about([axis_of("a", -10, 10, 0.01)], hill([0.2]), (1000,)))
        low, high = ends_of(found)["a"]
        edge = 10 * np.sqrt((1 - 0.02 * 0.95 - REQUIRED) / 0.2)  # the 5 % quantile of u is 0.05
        assert low == pytest.approx(-edge, abs=0.02) and high == pytest.approx(edge, abs=0.02)

    def test_six_factors(self):
        axes = [axis_of(name, 0, 12, 1, 1.0) for name in "abcdef"]
        chosen = about(axes, hill([0.3, 0.2, 0.1, 0.05, 0.05, 0.0]), (6, 6, 6, 7, 5, 6))
        found = window.find_window(chosen)
        assert all(one.half_width > 0 for one in found.reaches)
        assert all_pass(chosen, every_setting(chosen, found)[::37])

    def test_more_factors_than_a_map_can_hold(self):
        axes = [axis_of(name, 0, 10, 1) for name in "abcdefgh"]
        chosen = about(axes, hill([0.05] * 8), (5,) * 8)
        found = window.find_window(chosen)
        assert found.reason == "" and len(found.reaches) == 8
        sample = np.random.default_rng(0).integers(0, 11, (500, 8))
        low, high = np.array([(one.low, one.high) for one in found.reaches]).T
        inside = ((sample >= low) & (sample <= high)).all(axis=1)
        assert all_pass(chosen, np.vstack([sample[inside], chosen.best]))

    def test_levels_at_which_the_whole_box_passes_are_added(self):
        axes = [axis_of("a", -10, 10, 1), levels_of("surface", "glass", "sheet", "steel")]

        def share(coded, u):
            return hill([0.2])(coded[:, :1], u) - 0.3 * (coded[:, [1]] == 2) + 0.001 * (coded[:, [1]] == 0)

        found = window.find_window(about(axes, share, (10, 1)))
        assert ends_of(found) == {"a": (-6.0, 6.0), "surface": ("glass", "sheet")}
        assert found.reaches[1].critical and found.reaches[1].half_width is None
        assert found.complete and found.settings == 26

    def test_what_ends_a_side_is_named(self):
        axes = [axis_of("a", -10, 10, 1), axis_of("b", -10, 10, 1)]
        flat = hill([0.0, 0.0])
        by_constraint = window.find_window(about(axes, flat, (8, 12), constrained=lambda at: at[:, 0] > 4)).reaches[0]
        assert (by_constraint.high, by_constraint.ends) == (4, ("end of what was tried", "constraint"))
        by_prints = window.find_window(about(axes, flat, (8, 12), barred=lambda at: at[:, 0] < -7)).reaches[0]
        assert (by_prints.low, by_prints.ends) == (-7, ("prints", "end of what was tried"))
        assert by_prints.critical

    def test_everything_passes(self):
        axes = [axis_of("a", -10, 10, 1, 1.0), axis_of("b", -10, 10, 1)]
        found = window.find_window(about(axes, hill([0.0, 0.0]), (3, 20)))
        assert found.narrowest == "" and not any(one.critical for one in found.reaches)
        assert (found.bound_share, found.estimate_share) == (1.0, 1.0)
        assert not any(window.is_narrow(one) for one in found.reaches)


class TestRegion:
    def test_shares_are_those_of_all_settings_where_they_are_few(self):
        # 0.2 x^2 <= 0.09 for the median of the draws, 0.081 for the bound: |x| up to 0.67 and 0.636, of 21 values 13.
        chosen = about([axis_of("a", -10, 10, 1)], hill([0.2]), (10,))
        found = window.find_window(chosen)
        assert (found.bound_share, found.estimate_share, found.looked_at) == (13 / 21, 13 / 21, 21)

    def test_shares_of_a_sample_are_near_those_of_the_area(self):
        axes = [axis_of("a", -100, 100, 1), axis_of("b", -100, 100, 1)]
        found = window.find_window(about(axes, hill([0.2, 0.2]), (100, 100)))
        assert found.looked_at == 128
        assert found.bound_share == pytest.approx(np.pi * 0.405 / 4, abs=0.04)
        assert found.estimate_share == pytest.approx(np.pi * 0.45 / 4, abs=0.04)

    def test_barred_settings_do_not_count(self):
        chosen = about([axis_of("a", -10, 10, 1)], hill([0.2]), (10,), barred=lambda at: at[:, 0] > 0)
        assert window.find_window(chosen).bound_share == 7 / 11


class TestReasons:
    def test_no_window_even_by_the_estimate(self):
        found = window.find_window(about([axis_of("a", -10, 10, 1, 1.0)], hill([0.2], top=0.85), (12,)))
        assert (found.reason, found.reaches, found.settings, found.complete) == ("estimate", (), 0, False)
        assert found.estimate == pytest.approx(0.85 - 0.2 * 0.2**2 - 0.02 / 2)

    def test_narrower_than_the_setpoint_error(self):
        axes = [axis_of("a", -10, 10, 1, 7.0), axis_of("b", -10, 10, 1, 1.0)]
        found = window.find_window(about(axes, hill([0.2, 0.2]), (10, 10)))
        assert [one.factor for one in found.reaches if window.is_narrow(one)] == ["a"]

    def test_an_increment_is_no_setpoint_error(self):
        found = window.find_window(about([axis_of("a", -10, 10, 10)], hill([0.2]), (1,)))
        assert found.reaches[0].half_width == 0.0 and not window.is_narrow(found.reaches[0])


def judged(study, truths, settings=NINE[0], loads=NINE[1], **noise):
    """Return what a study's record leads to: the chosen setting with its region and posterior."""
    design = make_design(study, settings, loads)
    record, model = make_record(study, design, truths, **noise), scale.model_terms(study)
    views = [data.response_data(study, design, record, one, model) for one in study.responses]
    area, view = search.region(study, views, []), outlook.outlook(study, views, [])
    best = search.best_setting(area, view.score, outlook.generator())
    return Chosen(area, view, best, study.header.conformance, 0.05)


class TestStudies:
    def test_window_of_a_plane_with_many_prints_is_the_known_one(self):
        # Strength 25 + 0.2 (nozzle - 262) MPa, sd 1 in all: 90 % of the coupons reach 25 from 262 + 1.2816 / 0.2 = 268.4 on.
        settings, loads = grid((255, 285), (4, 12))
        settings, loads = settings * 60, [load + 4 * turn for turn in range(60) for load in loads]
        study = make_study(factors=[{**NOZZLE, "setpoint_sd": 2}, DRYING], model={"terms": "main"})
        plane = {"strength": lambda at: 25 + 0.2 * (at["nozzle"] - 262) + 0 * at["drying"]}
        sd = (0.0, 0.6, 0.8)
        chosen = judged(study, plane, settings, loads, sd=sd)
        found = window.find_window(chosen)
        nozzle, drying = found.reaches
        sd_with_setpoint = np.hypot(1.0, 0.2 * 2)
        edge = 262 + stats.norm.ppf(0.9) * sd_with_setpoint / 0.2
        assert edge <= nozzle.low <= edge + 2.5 and nozzle.high == 285
        assert nozzle.ends == ("bound", "end of what was tried")
        assert not drying.critical
        assert found.complete and all_pass(chosen, every_setting(chosen, found))

    def test_levels_in_a_study(self):
        study = make_study(factors=[NOZZLE, SURFACE])
        settings, _ = grid((255, 270, 285), ("glass", "sheet", "steel"))
        lift = {"glass": 0.0, "sheet": 3.0, "steel": 3.0}
        truth = {"strength": lambda at: 25 + np.array([lift[one] for one in at["surface"]])}
        chosen = judged(study, truth, settings, [place % 6 for place in range(len(settings))], sd=(0.05, 0.1, 0.3))
        found = window.find_window(chosen)
        assert found.reaches[1].levels == ("sheet", "steel")
        assert all_pass(chosen, every_setting(chosen, found))

    def test_more_loads_raise_the_expected_bound_towards_the_estimate(self):
        flat = {"strength": lambda at: 27.2 + 0 * at["nozzle"]}
        chosen = judged(make_study(), flat, sd=(0.5, 0.5, 1.0))
        found = loads_to_show.loads_to_show(chosen)
        bounds = [one.bound for one in found]
        assert [one.loads for one in found] == [3, 6, 10, 15, 20]
        estimate, bound = (float(one[0]) for one in estimates_and_bounds(chosen, chosen.best[None]))
        assert bound < bounds[0] and np.all(np.diff(bounds) > -0.01)
        assert bounds[-1] < estimate

    def test_expected_bound_is_what_refits_with_more_loads_give(self):
        # The middle of refits with ten more loads of truths from the posterior; one response, one study.
        chosen = judged(make_study(), {"strength": lambda at: 27.2 + 0 * at["nozzle"]}, sd=(0.5, 0.5, 1.0))
        (rule,) = loads_to_show.loads_to_show(chosen, (10,))
        one, drawn = chosen.view.views[0], chosen.view.drawn[0]
        generator, bounds = np.random.default_rng(3), []
        for truth in generator.integers(2000, size=24):
            row, n = one.rows(chosen.coded), len(one.names)
            spread = np.sqrt(drawn.load_var[truth] + drawn.print_var[truth])
            means = drawn.beta[truth] @ row[0] + spread * generator.normal(size=10)
            coupons = means[:, None] + np.sqrt(drawn.coupon_var[truth]) * generator.normal(size=(10, 4))
            more = dataclasses.replace(
                one, values=np.append(one.values, coupons), of_print=np.append(one.of_print, n + np.repeat(np.arange(10), 4)),
                names=(*one.names, *map(str, range(10))), X=np.vstack([one.X, np.repeat(row, 10, axis=0)]),
                coded=np.vstack([one.coded, np.repeat(chosen.coded, 10, axis=0)]),
                load=np.append(one.load, one.load.max() + 1 + np.arange(10)),
            )
            view = outlook.outlook(make_study(), [more], [])
            bounds.append(np.quantile(view.shares(chosen.coded)[0], chosen.quantile))
        assert rule.bound == pytest.approx(np.median(bounds), abs=0.03)


def test_time_of_a_window_in_four_factors():
    """Loose, since other processes share the cores: see the docstring for what was measured."""
    names = ["a", "b", "c", "d"]
    factors = [{"name": name, "unit": "degC", "low": 0, "high": 30, "increment": 1, "setpoint_sd": 1} for name in names]
    responses = [{**STRENGTH, "name": name} for name in ("one", "two", "three")]
    settings, loads = grid(*[(0, 15, 30)] * 3, (0, 30))
    study = make_study(factors=factors, responses=responses, model={"terms": "interactions"})
    names = ("one", "two", "three")
    truth = {name: lambda at, by=by: 26.5 + (at["a"] - 15) * by - 0.03 * (at["d"] - 15) for by, name in enumerate(names)}
    chosen = judged(study, truth, settings, loads, sd=(0.3, 0.3, 0.5))
    window.find_window(chosen)
    start = time.process_time()
    found = window.find_window(chosen)
    assert time.process_time() - start < 1.5
    assert found.reason == "" and len(found.reaches) == 4


def test_fewest_draws_decide_like_all():
    axes = [axis_of("a", -10, 10, 1), axis_of("b", -10, 10, 1)]
    chosen = about(axes, hill([0.2, 0.1], spread=0.08), (10, 10))
    places = np.array(list(itertools.product(range(21), range(21))))
    checked = widest.Checked(chosen, most=10_000)
    assert (checked.passes(places) == (estimates_and_bounds(chosen, places)[1] >= REQUIRED)).all()
