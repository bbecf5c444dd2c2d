"""Where the best mean lies: published canonical analyses, known hills, edges, constraints, and what is left out."""

import dataclasses
import json

import numpy as np
import pytest

from doe.model.fit import fit_model
from doe.recommend import bending, desirable, location, outlook, search
from tests.recommend.test_choose import (
    DRYING,
    NINE,
    NOZZLE,
    PLAIN,
    STRENGTH,
    SURFACE,
    grid,
    hill,
    make_design,
    make_record,
    make_study,
)
from tests.reference_data import expected_of, rows_of

ONE = {"name": "yield_", "unit": "1", "per": "print", "at_least": 0.0}
NOISE = {"sd": (0.1, 0.2, 0.3)}


def located(study, design, record, at=None):
    """Return the places; ``at`` stands for the recommended setting, coded units."""
    _, fitted = fit_model(study, design, record, PLAIN)
    views = [one.data for one in fitted]
    by_aims = desirable.has_aims(study)
    area = search.region(study, views, [])
    drawn = desirable.wishes(fitted, []).drawn if by_aims else outlook.outlook(study, views, []).drawn
    coded = np.zeros((1, len(study.factors))) if at is None else np.array([at], dtype=float)
    return location.locations(study, area, fitted, drawn, coded)


def simulated(study, truths, settings=NINE[0], loads=NINE[1], at=None, **noise):
    design = make_design(study, settings, loads)
    return located(study, design, make_record(study, design, truths, **(noise or NOISE)), at)


def published(name, columns, response, rows=None, at=None):
    """Return the place of a published table's response; factors are the coded columns, from -1 to 1."""
    rows = rows_of(name) if rows is None else rows
    factors = [{"name": one, "unit": "1", "low": -1, "high": 1, "increment": 0.001} for one in columns]
    study = make_study(factors, [ONE])
    settings = [tuple(float(row[one]) for one in columns) for row in rows]
    design = make_design(study, settings, [None] * len(rows))
    record = make_record(study, design, {"yield_": lambda _: np.zeros(len(rows))})
    record.prints["yield_"] = [float(row[response]) for row in rows]
    return located(study, design, record, at).rows[0]


class TestPublished:
    def test_chemical_process(self):
        # Montgomery, Design and Analysis of Experiments, example 11.2: 0.389, 0.306; -1.4143, -0.9635; 80.21.
        expected = expected_of("C_chemical_process_ccd")["published"]["yield_"]
        found = published("C_chemical_process_ccd", ("x1", "x2"), "yield", at=expected["stationary_point"])
        shape = found.shape
        assert [round(value, 3) for value in shape.point.values()] == expected["stationary_point"]
        assert [round(one.estimate, 4) for one in shape.curvatures] == expected["eigenvalues"]
        assert round(shape.mean, 2) == expected["y_at_stationary"]
        assert shape.inside and shape.nature == "maximum" and shape.shares["maximum"] == 1.0
        assert [one.sign for one in shape.curvatures] == [bending.FALLS] * 2
        assert shape.p_value == pytest.approx(1.0, abs=1e-4) and shape.may_be_level
        # The stationary point is well inside: the draws' best settings lie about it.
        for place, at in zip(found.places, expected["stationary_point"], strict=True):
            assert place.low < at < place.high
            assert place.median == pytest.approx(at, abs=0.05 * (place.high - place.low))
            assert place.at_from + place.at_to < 0.002
        assert found.mean == pytest.approx(expected["y_at_stationary"], abs=0.02)

    def test_chemical_process_far_from_its_top(self):
        found = published("C_chemical_process_ccd", ("x1", "x2"), "yield", at=(-1.0, -1.0))
        assert found.shape.p_value < 1e-4 and found.shape.may_be_level is False

    def test_steepest_ascent_of_the_handbook(self):
        # NIST/SEMATECH e-Handbook 5.5.3.1.4: (-0.93, 0.35), 77.59, -9.827 and -4.973 (from memory, flagged in the file).
        expected = expected_of("C_nist_steepest_ascent")["published"]["phase2_plus_3"]
        rows = [row for row in rows_of("C_nist_steepest_ascent") if row["phase"] in ("2", "3")]
        found = published("C_nist_steepest_ascent", ("x1", "x2"), "yield", rows)
        assert [round(value, 2) for value in found.shape.point.values()] == expected["stationary_point"]
        assert round(found.shape.mean, 2) == expected["y_at_stationary"]
        assert [round(one.estimate, 3) for one in found.shape.curvatures] == expected["eigenvalues"]
        assert found.places[0].at_from > 0.3  # the top is near the lower end of x1

    def test_cherry_oil(self):
        expected = expected_of("C_bbd_cherry_oil")["recomputed"]
        found = published("C_bbd_cherry_oil", ("x1", "x2", "x3"), "yield_percent")
        assert list(found.shape.point.values()) == pytest.approx(expected["stationary_point"], abs=1e-6)
        assert [one.estimate for one in found.shape.curvatures] == pytest.approx(expected["eigenvalues"], abs=1e-6)


class TestPlaces:
    def test_lowest_is_the_mirror_of_highest(self):
        top = simulated(make_study(), hill()).rows[0]
        turned = {"strength": lambda at: 50 - hill()["strength"](at)}
        study = make_study(responses=[{**STRENGTH, "at_least": None, "at_most": 30.0}])
        bottom = simulated(study, turned).rows[0]
        assert (top.sense, bottom.sense) == ("highest", "lowest")
        assert bottom.shape.nature == "minimum" and bottom.shape.curvatures[0].sign == bending.RISES
        for one, other, true in zip(top.places, bottom.places, (272, 9.5), strict=True):
            assert one.low < true < one.high
            assert other.low < true < other.high
        assert top.mean_low < 25.03 < top.mean_high
        assert bottom.mean_low < 24.97 < bottom.mean_high

    def test_an_aim_gives_the_direction(self):
        aim = {"at_least": None, "aim": "minimise", "worthless_above": 30, "perfect_at": 20}
        assert simulated(make_study(responses=[{**STRENGTH, **aim}]), hill()).rows[0].sense == "lowest"

    def test_a_top_beyond_the_range_lies_at_its_end(self):
        found = simulated(make_study(), hill(top=(300, 8))).rows[0]
        nozzle = found.places[0]
        assert nozzle.at_to == 1.0 and nozzle.low == nozzle.high == nozzle.to == 285.0
        assert found.shape.inside is False

    def test_a_constraint_bounds_the_place(self):
        # On nozzle + 5 drying = 307.5 the gradient of the hill is along (1, 5): 12 (x - 0.133) / 15 = 8 (y - 0.375) / 4 / 5.
        study = make_study(constraints=[{"coef": {"nozzle": 1.0, "drying": 5.0}, "limit": 307.5}])
        found = simulated(study, hill(), at=(-0.5, -0.5)).rows[0]
        assert found.at_constraints == {"1 nozzle + 5 drying at most 307.5": 1.0}
        line = np.linspace(255, 285, 30001)
        values = hill()["strength"]({"nozzle": line, "drying": (307.5 - line) / 5})
        best = line[np.argmax(values)]
        assert found.places[0].low < best < found.places[0].high
        assert found.places[1].low < (307.5 - best) / 5 < found.places[1].high
        assert found.path == ()  # the middle, 270 °C and 8 h, breaks it

    def test_a_level_is_held_and_its_own_surface_counts(self):
        # The top moves with the surface: 262 °C on glass, 278 °C on steel.
        move = {"glass": 262.0, "sheet": 270.0, "steel": 278.0}

        def strength(at):
            top = np.array([move[one] for one in at["surface"]])
            return 25 - 6 * ((at["nozzle"] - top) / 15) ** 2 - 4 * ((at["drying"] - 8) / 4) ** 2

        settings, loads = grid(("glass", "sheet", "steel"), (255, 270, 285), (4, 8, 12))
        study = make_study([SURFACE, NOZZLE, DRYING])
        for code, level in enumerate(("glass", "sheet", "steel")):
            found = simulated(study, {"strength": strength}, settings, loads, at=(code, 0, 0)).rows[0]
            assert found.held == {"surface": level}
            assert found.places[0].low < move[level] < found.places[0].high
            assert found.places[0].high - found.places[0].low < 4
            assert found.shape.point["nozzle"] == pytest.approx(move[level], abs=1.5)

    def test_log_response_is_given_in_its_own_unit(self):
        study = make_study(responses=[{**STRENGTH, "transform": "log"}])
        truth = {"strength": lambda at: 30 * np.exp(hill(height=0.0)["strength"](at) / 30)}
        found = simulated(study, truth, sd=(0.0, 0.1, 0.2)).rows[0]
        assert found.mean == pytest.approx(30, abs=0.3)
        assert found.path[0].mean == pytest.approx(truth["strength"]({"nozzle": 270.0, "drying": 8.0}), abs=0.3)


class TestPath:
    def test_each_step_is_the_best_at_its_distance(self):
        found = simulated(make_study(), hill(top=(290, 11))).rows[0]
        angles = np.linspace(0, 2 * np.pi, 3601)
        study = make_study()
        design = make_design(study, *NINE)
        _, fitted = fit_model(study, design, make_record(study, design, hill(top=(290, 11)), **NOISE))
        for step in found.path[1:]:
            circle = step.distance * np.column_stack([np.cos(angles), np.sin(angles)])
            highest = (fitted[0].data.rows(circle) @ fitted[0].estimates).max()
            assert step.mean == pytest.approx(highest, abs=1e-4)
            coded = (step.settings["nozzle"] - 270) / 15, (step.settings["drying"] - 8) / 4
            assert np.hypot(*coded) == pytest.approx(step.distance)
        assert max(np.abs(coded)) == pytest.approx(1.0)  # it ends where it leaves the region
        assert [step.distance for step in found.path] == pytest.approx(np.linspace(0, found.path[-1].distance, 6))


class TestLeftOut:
    def test_two_limits_have_no_direction(self):
        found = simulated(make_study(responses=[{**STRENGTH, "at_most": 40.0}]), hill())
        assert found.rows == () and "neither high nor low" in found.skipped["strength"]

    @pytest.mark.parametrize(
        ("terms", "words"),
        [("main", "no squared term"), (("nozzle^3", "drying"), "beyond squares"), (("drying^2",), "")],
    )
    def test_models_of_other_kinds(self, terms, words):
        settings, loads = grid((255, 265, 275, 285), (4, 8, 12))
        found = simulated(make_study(model={"terms": terms}), hill(), settings, loads)
        if words:
            assert found.rows == () and words in found.skipped["strength"]
        else:
            assert [one.factor for one in found.rows[0].places] == ["drying"]
            assert found.rows[0].no_part == ("nozzle",)

    def test_without_all_squares_there_is_a_place_and_no_shape(self):
        found = simulated(make_study(model={"terms": ("nozzle^2", "drying")}), hill(steep=(6, 0))).rows[0]
        assert found.shape is None
        assert found.places[0].low < 272 < found.places[0].high

    def test_few_loads_leave_the_level_test_out(self):
        settings = NINE[0]
        loads = [{4: 0, 8: 1, 12: 2}[row[1]] + (3 if place >= 9 and row[1] == 8 else 0) for place, row in enumerate(settings)]
        found = simulated(make_study(), hill(), settings, loads).rows[0]
        assert found.shape.p_value is None and found.shape.may_be_level is None


def test_result_is_plain_data():
    found = simulated(make_study(), hill())
    data = json.loads(json.dumps(dataclasses.asdict(found), allow_nan=False))
    assert data["level"] == 0.95
    assert data["rows"][0]["places"][0]["factor"] == "nozzle"


def held(scatter, over):
    """Return a study, its plan and its record; all coupons at 270 °C and 8 h broke in the grips, ``over`` too high."""
    study = make_study()
    design = make_design(study, *NINE)
    record = make_record(study, design, hill(), sd=(0.3, *scatter))
    mine = record.coupons["print"] == "P04"
    record.coupons.loc[mine, "outcome"] = "broke in grips"
    record.coupons.loc[mine, "strength"] += over
    return study, design, record


@pytest.mark.parametrize("scatter", [(0.6, 0.2), (0.2, 0.6)], ids=["prints vary", "coupons vary"])
class TestLimits:
    """One print has only limits: they are in the estimates, and so they must be in the draws."""

    def test_the_posterior_has_its_centre_at_the_estimates(self, scatter):
        study, *printed = held(scatter, 2.0)
        _, (one,) = fit_model(study, *printed, PLAIN)
        assert one.result.limits.used and one.result.limits.at_least == 4
        beta = outlook.outlook(study, [one.data], []).drawn[0].beta
        se = np.sqrt(np.diag(one.mixed.adjusted_covariance))
        assert np.all(np.abs(np.median(beta, axis=0) - one.estimates) < 0.25 * se)

    def test_every_bending_lies_in_its_interval(self, scatter):
        shape = located(*held(scatter, 4.0)).rows[0].shape
        assert all(one.low < one.estimate < one.high for one in shape.curvatures)
        assert max(shape.shares, key=shape.shares.get) == shape.nature
