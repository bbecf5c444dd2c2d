"""Further rounds: earlier rows stay, aliases are separated, squares become estimable, and a round has a mean of its own."""

import itertools

import numpy as np
import pandas as pd
import pytest

from doe.design import around, ascent, axial, check, extend, plan, region
from doe.design.ascent import Line
from doe.design.extend import ExtendRequest
from doe.design.plan import Provenance, checked
from doe.design.read import plan_text, read_plan
from doe.errors import InputRefused
from doe.numerics import criteria, terms
from doe.numerics.terms import rank
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.reference_data import expected_of, rows_of

SEVEN = [numeric(f"factor_{letter}", 0, 2, 1, unit="1") for letter in "abcdefg"]
# 2^(7-4) of Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Table 6.22: d = ab, e = ac, f = bc, g = abc.
SATURATED = np.array(
    [[a, b, c, a * b, a * c, b * c, a * b * c] for a, b, c in itertools.product((-1.0, 1.0), repeat=3)]
)


def first_round(study, coded, loads=None, kinds=None):
    """Return a design whose first round has these coded settings, in this order."""
    coded = np.asarray(coded, dtype=float)
    targets = pd.DataFrame({
        factor.name: column * factor.half_range + factor.centre if factor.is_numeric
        else [factor.levels[int(index)] for index in column]
        for factor, column in zip(study.factors, coded.T, strict=True)
    })  # fmt: skip
    load = np.full(len(coded), -1) if loads is None else np.asarray(loads)
    printer = np.arange(len(coded)) % len(study.printers) if study.printers else np.full(len(coded), -1)
    kinds = kinds or [region.position(study, row) for row in coded]
    runs = plan.assemble(study, targets, load, printer, kinds, Provenance("adopted", 1))
    return checked(study, runs, {"kind": "adopted"})


def central_composite(study, loads):
    """Return a face-centred central composite first round, dealt to loads by the last factor."""
    k = len(study.factors)
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=k)))
    faces = np.kron(np.eye(k), [[-1.0], [1.0]])
    coded = np.vstack([corners, faces, np.zeros((4, k))])
    level = coded[:, -1]
    each = loads // 3
    load = np.array([int(value + 1) * each + int((level[:row] == value).sum()) % each for row, value in enumerate(level)])
    sequence = np.argsort(load, kind="stable")
    return first_round(study, coded[sequence], load[sequence])


def coded_of(study, runs):
    return scale.coded(study, check.settings_of(study, runs))


def problems(error):
    return "\n".join(str(one) for one in error.value.problems)


REQUESTS = {
    "fold-over": ExtendRequest("fold-over", loads=4, seed=2),
    "axial": ExtendRequest("axial", loads=4, seed=2),
    "optimal": ExtendRequest("optimal", prints=8, loads=2, seed=2),
    "ascent": ExtendRequest("ascent", prints=6, seed=2),
}


@pytest.fixture(scope="module")
def begun():
    study = make_study(budget={"prints": 40, "loads": 9})
    return study, central_composite(study, 6)


@pytest.mark.parametrize("kind", REQUESTS)
def test_earlier_rows_stay_to_the_byte_and_identifiers_continue(begun, kind):
    study, design = begun
    line = Line(np.zeros(4), np.array([1.0, 0.5, -0.5, 0.25]))
    made = extend.extend(study, design, REQUESTS[kind], line if kind == "ascent" else None)
    before, after = plan_text(design), plan_text(made)
    assert after.startswith(before)
    assert len(after) > len(before)
    # From disk as well: what is written again is what was read.
    again = extend.extend(study, read_plan(before, study), REQUESTS[kind], line if kind == "ascent" else None)
    assert plan_text(again) == after
    new = made.of_round(2)
    assert made.rounds == [1, 2]
    assert (new["order"] == np.arange(1, len(new) + 1)).all()
    assert new["print"].iloc[0] == plan.identifier("P", 29, 2)
    assert new["load"].iloc[0] == plan.identifier("L", 7, 2)
    assert made.runs["print"].is_unique
    assert not set(new["load"]) & set(design.runs["load"])
    assert (new.groupby("load")["target.drying_time"].nunique() == 1).all()


def test_an_equal_setting_has_an_equal_cell_in_every_round(begun):
    study, design = begun
    made = extend.extend(study, design, REQUESTS["fold-over"])
    cells = check.cells(check.settings_of(study, made.runs))
    pairs = set(zip(cells.tolist(), made.runs["cell"].tolist(), strict=True))
    assert len(pairs) == len({cell for cell, _ in pairs}) == len({cell for _, cell in pairs})
    # A full factorial folded over is itself again: no new setting.
    assert made.of_round(2)["cell"].isin(design.runs["cell"]).all()


# Fold-over


@pytest.fixture
def saturated():
    study = make_study(factors=SEVEN, model={"terms": "main"}, printers=[], budget={})
    return study, first_round(study, SATURATED)


def word_length(coded):
    """Return the fewest factors whose product is not balanced: the resolution, by enumeration."""
    columns = range(coded.shape[1])
    for size in columns:
        for subset in itertools.combinations(columns, size + 1):
            if abs(coded[:, subset].prod(axis=1).sum()) > 1e-9:
                return size + 1
    return None


def test_fold_over_of_all_factors_turns_resolution_iii_into_iv(saturated):
    # Box, Hunter and Hunter (2005), section 6.6; Montgomery, Design and Analysis of Experiments, section 8.6.3.
    study, design = saturated
    made = extend.extend(study, design, ExtendRequest("fold-over", seed=1))
    assert word_length(coded_of(study, design.runs)) == made.facts["resolution_before"] == 3
    assert word_length(coded_of(study, made.runs)) == made.facts["resolution"] == 4
    # Every main effect stood with three pairs, and now all seven are clear: seven strings of three pairs remain.
    assert len(made.facts["aliases_before"]) == 7
    assert all(len(chain.split(" = ")) == 4 for chain in made.facts["aliases_before"])
    assert sorted(len(chain.split(" = ")) for chain in made.facts["aliases"]) == [3] * 7
    assert all(" * " in effect for chain in made.facts["aliases"] for effect in chain.split(" = "))


def test_fold_over_of_one_factor_frees_it_and_all_its_interactions(saturated):
    # The same sources: the sign of one column reversed clears its main effect and every two-factor interaction with it.
    study, design = saturated
    made = extend.extend(study, design, ExtendRequest("fold-over", factors=("factor_c",), seed=1))
    aliased = {effect for chain in made.facts["aliases"] for effect in chain.split(" = ")}
    assert not any("factor_c" in effect for effect in aliased)
    assert made.facts["resolution"] == 3
    # By ranks: its effects are estimable, beside everything else at once and a mean for each round.
    model = terms.standard_terms("interactions", (0,) * 7)
    blocks = check.block_columns([str(number) for number in made.runs["round"]])
    X = np.hstack([terms.model_matrix(coded_of(study, made.runs), model, (0,) * 7), blocks])
    own = [place for place, term in enumerate(model) if 2 in term]
    others = np.delete(X, own, axis=1)
    assert rank(X) == rank(others) + len(own)
    before = terms.model_matrix(SATURATED, model, (0,) * 7)
    assert rank(before) < rank(np.delete(before, own, axis=1)) + len(own)


def test_fold_over_exchanges_the_levels_of_a_categorical_factor_and_leaves_others():
    factors = [*SEVEN[:2], {"name": "bed_surface", "levels": ["glass", "textured"]}]
    study = make_study(factors=factors, model={"terms": "main"}, printers=[], budget={})
    half = [[-1, -1, 1], [1, -1, 0], [-1, 1, 0], [1, 1, 1]]
    request = ExtendRequest("fold-over", factors=("bed_surface",))
    made = extend.extend(study, first_round(study, half, kinds=["corner"] * 4), request)
    new = sorted(map(tuple, coded_of(study, made.of_round(2)).tolist()))
    assert new == sorted([(-1, -1, 0), (1, -1, 1), (-1, 1, 1), (1, 1, 0)])
    assert made.facts["aliases"] == []


def test_prints_beyond_the_corners_are_centre_prints(saturated):
    study, design = saturated
    new = extend.extend(study, design, ExtendRequest("fold-over", prints=10)).of_round(2)
    assert new["point"].value_counts().to_dict() == {"corner": 8, "centre": 2}


# Axial points


def test_axial_points_make_the_squares_of_a_factorial_estimable():
    factors = [numeric("nozzle_temperature", 255, 285, 1), numeric("bed_temperature", 60, 80, 1)]
    study = make_study(factors=factors, budget={}, printers=[])
    corners = [[-1, -1], [1, -1], [-1, 1], [1, 1], [0, 0], [0, 0]]
    design = first_round(study, corners)
    X, _ = check.matrix(study, design.runs)
    assert rank(X) < X.shape[1]
    made = extend.extend(study, design, ExtendRequest("axial", prints=6, seed=3))
    X, _ = check.matrix(study, made.runs)
    assert X.shape == (12, 7)  # six terms and the round
    assert rank(X) == 7
    new = made.of_round(2)
    axial_points = coded_of(study, new[new["point"] == "axial"])
    assert sorted(map(tuple, axial_points.tolist())) == [(-1, 0), (0, -1), (0, 1), (1, 0)]
    assert (new["point"] == "centre").sum() == 2


def test_axial_points_of_the_load_factor_have_loads_of_their_own():
    study = make_study(budget={})
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=4)))
    load = (corners[:, 3] + 1 + (corners[:, :3].prod(axis=1) + 1) / 2).astype(int)  # half fractions, two at each level
    sequence = np.argsort(load, kind="stable")
    design = first_round(study, corners[sequence], load[sequence])
    made = extend.extend(study, design, ExtendRequest("axial", loads=5, seed=1))
    new = made.of_round(2)
    for value in (4.0, 12.0):
        load = new.loc[new["target.drying_time"] == value, "load"]
        assert len(set(load)) == 1
        assert (new["load"] == load.iloc[0]).sum() == 1
    assert new["load"].nunique() == 5
    # Round 2 takes one degree of freedom between loads: 9 loads less intercept, drying, its square and the round.
    assert made.facts["strata"]["load_dof"] == 9 - 4


@pytest.mark.parametrize(
    ("changes", "low", "high"),
    [
        ({"printers": [{"name": "A", "limits": {"nozzle_temperature": [0, 280]}}]}, 255, 280),
        ({"constraints": [{"coef": {"nozzle_temperature": 1.0, "bed_temperature": 1.0}, "limit": 345}]}, 255, 275),
        ({}, 255, 285),
    ],
    ids=["printer's limit", "constraint", "nothing in the way"],
)
def test_axial_points_are_pulled_in_to_what_is_allowed(changes, low, high):
    factors = [numeric("nozzle_temperature", 255, 285, 5), numeric("bed_temperature", 60, 80, 5)]
    study = make_study(factors=factors, **changes)
    found = axial.points(study, ["nozzle_temperature"], 1.0)
    natural = found.coded[:, 0] * 15 + 270
    assert natural.tolist() == [low, high]
    assert bool(found.verdicts) == (high < 285)


# Ascent


def test_steps_of_the_handbook():
    # NIST/SEMATECH e-Handbook, section 5.5.3.1.1: temperature 200 +- 30, time 200 +- 50. With steps of one half range of
    # time (50 min), the third point is where its second factorial was centred: (189.5, 350).
    first = [row for row in rows_of("C_nist_steepest_ascent") if row["phase"] == "1"]
    second = [row for row in rows_of("C_nist_steepest_ascent") if row["phase"] == "2" and row["x1"] == "0"]
    X = np.array([[1, float(row["x1"]), float(row["x2"])] for row in first])
    found = np.linalg.lstsq(X, np.array([float(row["yield"]) for row in first]), rcond=None)[0][1:]
    wanted = expected_of("C_nist_steepest_ascent")["recomputed"]["phase1"]
    assert found == pytest.approx(wanted["first_order_coef"][1:], abs=1e-9)
    assert found / np.linalg.norm(found) == pytest.approx(wanted["steepest_ascent_unit"], abs=1e-9)
    half = np.array([30.0, 50.0])
    steps = ascent.natural_steps(found, half, 1, 50.0)
    path = ascent.along(np.array([200.0, 200.0]), steps, 4)
    assert path[3] == pytest.approx([float(second[0]["temp"]), float(second[0]["time"])], abs=0.1)
    assert path[:, 1].tolist() == [200, 250, 300, 350]
    # In coded units every step has the direction of the coefficients.
    assert steps / half == pytest.approx(found / abs(found[1]), rel=1e-12)


def test_steps_of_the_textbook():
    # Montgomery, Design and Analysis of Experiments, Example 11.1, from memory: y = 40.44 + 0.775 x1 + 0.325 x2, time
    # 35 +- 5 min, temperature 155 +- 5 F; with 5 min as the step of time the temperature rises by 2.1 F, used as 2.
    steps = ascent.natural_steps(np.array([0.775, 0.325]), np.array([5.0, 5.0]), 0, 5.0)
    assert np.round(steps, 1).tolist() == [5.0, 2.1]


def test_a_descent_goes_the_other_way():
    half = np.array([30.0, 50.0])
    up, down = (ascent.natural_steps(sign * np.array([2.0, -1.0]), half, 1, 10.0) for sign in (1, -1))
    assert down == pytest.approx(-up)


def test_a_line_ends_where_it_meets_a_bound_or_a_constraint():
    bounds = np.array([[-1.0, 1.0], [-1.0, 0.5]])
    assert ascent.reach(np.zeros(2), np.array([1.0, 0.25]), bounds) == pytest.approx(1.0)
    assert ascent.reach(np.zeros(2), np.array([1.0, 1.0]), bounds) == pytest.approx(0.5)
    limits = np.array([[1.0, 1.0]]), np.array([0.6])
    assert ascent.reach(np.zeros(2), np.array([1.0, 1.0]), bounds, limits) == pytest.approx(0.3)
    assert ascent.reach(np.zeros(2), np.array([-1.0, 0.0]), bounds, limits) == pytest.approx(1.0)
    assert ascent.reach(np.array([1.0, 0.0]), np.array([1.0, 0.0]), bounds) == 0.0
    assert ascent.reach(np.zeros(2), np.zeros(2), bounds) == np.inf


def test_prints_of_an_ascent_follow_the_line_within_limits(begun):
    study, design = begun
    made = extend.extend(study, design, REQUESTS["ascent"], Line(np.zeros(4), np.array([1.0, 0.5, -0.5, 0.25])))
    new = made.of_round(2)
    nozzle = new["target.nozzle_temperature"].to_numpy()
    assert nozzle.tolist() == [270, 273, 276, 279, 282, 285]
    assert new["target.bed_temperature"].tolist() == [70, 71, 72, 73, 74, 75]
    assert made.facts["steps"] == pytest.approx(
        {"nozzle_temperature": 3.0, "bed_temperature": 1.0, "z_offset": -0.006, "drying_time": 0.2}
    )
    assert new["printer"].nunique() == 1
    # Drying moves in steps of 0.5 h: a load wherever it changes, and none of them twice.
    assert (new.groupby("load")["target.drying_time"].nunique() == 1).all()
    assert new["load"].nunique() == new["target.drying_time"].nunique()


def test_an_ascent_without_a_direction_or_without_room_is_refused(begun):
    study, design = begun
    with pytest.raises(InputRefused, match="no direction is known"):
        extend.extend(study, design, REQUESTS["ascent"])
    edge = Line(np.array([1.0, 0, 0, 0]), np.array([1.0, 0, 0, 0]))
    with pytest.raises(InputRefused, match="1 different settings lie on the line"):
        extend.extend(study, design, REQUESTS["ascent"], edge)


# Optimal prints


def model_information(study, runs):
    """Return the information on the model's terms but the intercept, after every round's own mean; equal variances."""
    model, counts = scale.model_terms(study), scale.level_counts(study)
    X = terms.model_matrix(coded_of(study, runs), model, counts)[:, 1:]
    means = pd.get_dummies(runs["round"]).to_numpy(dtype=float)
    both = criteria.information(np.hstack([X, means]), check.codes(list(runs["load"])), 1.0)
    p = X.shape[1]
    return both[:p, :p] - both[:p, p:] @ np.linalg.solve(both[p:, p:], both[p:, :p])


def test_a_box_around_an_answer_holds_the_new_prints_and_is_clipped_to_the_range(begun):
    study, design = begun
    box = around.around(study, np.array([0.8, 0.2, -0.1, 0.5]), 0.4)
    assert box.bounds == pytest.approx(np.array([[0.4, 1], [-0.2, 0.6], [-0.5, 0.3], [0.1, 0.9]]))
    assert box.clipped == ("nozzle_temperature",)
    made = extend.extend(study, design, ExtendRequest(seed=4), box)
    new = made.of_round(2)
    assert (len(new), new["load"].nunique()) == (12, 3)  # what is left of the budget of 40 in 9
    coded = coded_of(study, new)
    assert (coded >= box.bounds[:, 0] - 1e-9).all()
    assert (coded <= box.bounds[:, 1] + 1e-9).all()
    assert "region ends at the range" in {one.name for one in made.verdicts}
    assert made.facts["region"]["nozzle_temperature"] == [276, 285]


@pytest.mark.parametrize("width", [None, 0.4], ids=["whole region", "box"])
def test_more_prints_tell_more_of_every_term(begun, width):
    # The sum of two informations, each after its round's own mean: what is added is never negative (Loewner order).
    study, design = begun
    box = None if width is None else around.around(study, np.array([0.3, 0.2, -0.1, 0.5]), width)
    made = extend.extend(study, design, REQUESTS["optimal"], box)
    before, after = model_information(study, design.runs), model_information(study, made.runs)
    added = model_information(study, made.of_round(2).assign(round=1))
    assert after == pytest.approx(before + added, abs=1e-9)
    assert np.linalg.eigvalsh(after - before).min() > -1e-9
    assert np.linalg.slogdet(after)[1] > np.linalg.slogdet(before)[1] + 0.1
    X, _ = check.matrix(study, made.runs)
    assert rank(X) == X.shape[1] == 17  # 15 terms, one printer column, one round column


def test_optimal_prints_are_better_than_the_same_number_at_random(begun):
    study, design = begun
    made = extend.extend(study, design, REQUESTS["optimal"])
    found = np.linalg.slogdet(model_information(study, made.runs))[1]
    generator = np.random.default_rng(1)
    for _ in range(50):
        other = made.runs.copy()
        rows = np.flatnonzero(other["round"] == 2)
        for factor in study.factors:
            values = factor.low + factor.increment * generator.integers(0, round(2 * factor.half_range / factor.increment) + 1, 8)
            if factor.change == "load":
                values = values[check.codes(list(other.iloc[rows]["load"]))]
            other.iloc[rows, other.columns.get_loc(f"target.{factor.name}")] = values
        assert np.linalg.slogdet(model_information(study, other))[1] < found


def test_one_new_load_with_the_round_leaves_no_more_load_error_than_before(begun):
    # A round of one load brings a load and takes a mean: no degree of freedom between loads is won.
    study, design = begun
    made = extend.extend(study, design, ExtendRequest("optimal", prints=5, loads=1, seed=1))
    assert made.facts["strata"]["load_dof"] == design.facts["strata"]["load_dof"]
    wider = extend.extend(study, design, ExtendRequest("optimal", prints=6, loads=3, seed=1))
    assert wider.facts["strata"]["load_dof"] == design.facts["strata"]["load_dof"] + 2


def test_optimal_prints_are_the_best_of_all_with_a_mean_for_each_round():
    # All 495 ways to add four prints on a grid of 3 x 3, the earlier prints with the bed hot being lost; the criterion is
    # (1/2) log|M|/p - (1/2) log I with the round among the columns, and I averaged over the square and the rounds.
    factors = [numeric("nozzle_temperature", 255, 285, 15), numeric("bed_temperature", 60, 80, 10)]
    study = make_study(factors=factors, budget={}, printers=[], model={"terms": "interactions"})
    design = first_round(study, [[-1, -1], [1, -1], [-1, 1], [1, 1]] * 2)
    hot = design.runs["target.bed_temperature"] == 80
    made = extend.extend(study, design, ExtendRequest("optimal", prints=4, seed=1), without=design.runs["print"][hot])
    earlier = coded_of(study, design.runs[~hot])
    moments = np.diag([1, 1 / 3, 1 / 3, 1 / 9, 0])

    def score(added):
        n, b = np.vstack([earlier, added]).T
        X = np.column_stack([np.ones(8), n, b, n * b, np.repeat([1.0, -1.0], 4)])
        if np.linalg.matrix_rank(X) < 5:
            return -np.inf
        return np.linalg.slogdet(X.T @ X)[1] / 10 - np.log(np.trace(np.linalg.inv(X.T @ X) @ moments)) / 2

    grid = list(itertools.product((-1.0, 0.0, 1.0), repeat=2))
    scores = [score(np.array(added)) for added in itertools.combinations_with_replacement(grid, 4)]
    assert len(scores) == 495
    assert score(coded_of(study, made.of_round(2))) == pytest.approx(max(scores), abs=1e-9)
    assert "earlier prints without a value" in {one.name for one in made.verdicts}


def test_a_larger_model_is_searched_for_and_the_declared_one_stays(begun):
    study, design = begun
    request = ExtendRequest("optimal", prints=12, loads=3, terms=("nozzle_temperature^3",), seed=1)
    made = extend.extend(study, design, request)
    verdict = next(one for one in made.verdicts if one.name == "chosen for a larger model")
    assert "nozzle_temperature^3" in verdict.cause
    assert "doe amend" in verdict.next_step
    model = (*scale.model_terms(study), (0, 0, 0))
    X = terms.model_matrix(coded_of(study, made.runs), model, (0, 0, 0, 0))
    assert rank(X) == X.shape[1]
    assert rank(X[: len(design.runs)]) < X.shape[1]  # three levels cannot tell the cubic


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (ExtendRequest("optimal", prints=2, loads=1), "2 prints.*at least 4"),
        (ExtendRequest("optimal", prints=5, loads=6), "6 drying loads for 5 prints"),
        (ExtendRequest("fold-over", prints=10), "10 prints.*at least 16"),
        (ExtendRequest("axial", prints=6), "6 prints.*at least 8"),
        (ExtendRequest("axial", loads=2), "2 drying loads.*from 3"),
        (ExtendRequest("axial", factors=("nozle",)), "'nozle' is not a factor"),
        (ExtendRequest("optimal", prints=8, factors=("z_offset",)), "--factors"),
        (ExtendRequest("optimal", prints=8, loads=2, terms=("warp",)), "--terms: 'warp' is not a factor"),
        (ExtendRequest("ascent", loads=2), "its loads follow from the line"),
    ],
    ids=lambda value: None if isinstance(value, str) else value.kind,
)
def test_what_cannot_work_is_refused_with_its_remedy(begun, request_, said):
    with pytest.raises(InputRefused, match=said):
        extend.extend(*begun, request_)


def test_loads_are_not_mixed_with_rounds_that_have_none(saturated):
    study, design = saturated
    with pytest.raises(InputRefused, match="do not say which prints shared one"):
        extend.extend(study, design, ExtendRequest("fold-over", loads=2))


def test_a_box_without_width_is_refused(begun):
    with pytest.raises(InputRefused, match="--width: 0"):
        around.around(begun[0], np.zeros(4), 0.0)


def test_same_seed_gives_the_same_bytes_and_another_does_not(begun):
    texts = [plan_text(extend.extend(*begun, ExtendRequest(prints=8, loads=2, seed=seed))) for seed in (1, 1, 2)]
    assert texts[0] == texts[1] != texts[2]


def test_what_all_rounds_together_cannot_do_is_said_once(begun):
    study, design = begun
    made = extend.extend(study, design, ExtendRequest("fold-over", prints=20, loads=4, seed=1))
    (said,) = [one for one in made.verdicts if "budget" in one.name]
    assert "all rounds together take 48 prints where the budget has 40 and 10 drying loads where it has 9" in said.cause
    assert "fewer --prints and --loads" in said.next_step
    corners = np.array(sorted(itertools.product((-1.0, 1.0), repeat=4), key=lambda corner: corner[3]))
    begun_with_corners = first_round(study, corners, np.arange(16) // 4)
    made = extend.extend(study, begun_with_corners, ExtendRequest("fold-over", loads=4, seed=1))
    (said,) = [one for one in made.verdicts if "cannot" in one.cause and "^2" in one.cause]
    assert said.name == "terms that cannot be told apart"


def test_a_third_round_follows_the_second(begun):
    study, design = begun
    second = extend.extend(study, design, REQUESTS["optimal"])
    third = extend.extend(study, second, ExtendRequest("axial", loads=4, seed=5))
    assert plan_text(third).startswith(plan_text(second))
    assert third.rounds == [1, 2, 3]
    X, _ = check.matrix(study, third.runs)
    assert X.shape[1] == 18
