"""Named designs against the published tables, and against what the library of designs returns."""

import math
from itertools import combinations, product

import numpy as np
import pyDOE3
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InternalFault
from doe.numerics import catalogue, criteria
from doe.numerics.terms import alias_groups, estimable, model_matrix, standard_terms
from tests.reference_data import expected_of, rows_of

# NIST/SEMATECH e-Handbook of Statistical Methods, section 5.3.3.4.7, summary table of useful fractions: factors, runs,
# resolution (from memory; more than half of the entries are also in G_ff_generators).
HANDBOOK = [
    (3, 4, 3), (4, 8, 4), (5, 16, 5), (5, 8, 3), (6, 32, 6), (6, 16, 4), (6, 8, 3), (7, 64, 7), (7, 32, 4), (7, 16, 4),
    (7, 8, 3), (8, 128, 8), (8, 64, 5), (8, 32, 4), (8, 16, 4), (9, 128, 6), (9, 64, 4), (9, 32, 4), (9, 16, 3),
    (10, 128, 5), (10, 64, 4), (10, 32, 4), (10, 16, 3), (11, 128, 5), (11, 64, 4), (11, 32, 4), (11, 16, 3),
]
EVERY = [
    (factors, runs) for factors in range(3, 13) for runs in (2**power for power in range(2, factors))
    if runs > factors
]


def resolution_of(points):
    """The shortest product of factors that does not vary, found from the runs alone."""
    factors = points.shape[1]
    for size in range(1, factors + 1):
        if any(abs(points[:, list(word)].prod(axis=1).sum()) > 0 for word in combinations(range(factors), size)):
            return size
    return None


def lengths(words, factors):
    return [sum(len(word) == size for word in words) for size in range(3, factors + 1)]


@pytest.mark.parametrize(("factors", "runs", "resolution"), HANDBOOK)
def test_fractions_of_the_handbook(factors, runs, resolution):
    fraction = catalogue.fractional_factorial(factors, runs=runs)
    assert fraction.points.shape == (runs, factors)
    assert fraction.resolution == resolution


@pytest.mark.parametrize("row", rows_of("G_ff_generators"), ids=lambda row: f"{row['k']}-{row['p']}")
def test_word_lengths_of_minimum_aberration(row):
    # Box, Hunter and Hunter, Statistics for Experimenters, Table 12.15 (1978) / 6.22 (2005); word lengths recomputed.
    fraction = catalogue.fractional_factorial(int(row["k"]), runs=int(row["runs"]))
    published = [int(text) for text in row["word_length_pattern_A3_A4_..."].split()]
    assert lengths(fraction.words, int(row["k"])) == published
    assert fraction.resolution == int(row["resolution"])
    assert len(fraction.generators) == int(row["p"])


@pytest.mark.parametrize(("factors", "runs"), EVERY)
def test_every_fraction_is_what_it_says(factors, runs):
    fraction = catalogue.fractional_factorial(factors, runs=runs)
    assert fraction.points.shape == (runs, factors)
    assert len(np.unique(fraction.points, axis=0)) == runs
    assert resolution_of(fraction.points) == fraction.resolution == min(len(word) for word in fraction.words)
    assert len(fraction.words) == 2**factors // runs - 1
    assert all((fraction.points[:, list(word)].prod(axis=1) == 1).all() for word in fraction.words)
    assert set(fraction.generators) <= set(fraction.words)


@pytest.mark.parametrize("factors", range(3, 13))
def test_half_fractions_have_full_resolution(factors):
    # Box and Hunter, Technometrics 3 (1961) 311: I = AB... is the half fraction of highest resolution.
    half = catalogue.fractional_factorial(factors, resolution=factors)
    assert half.words == (tuple(range(factors)),)
    assert len(half.points) == 2 ** (factors - 1)


@settings(deadline=None)
@given(st.integers(3, 12), st.integers(3, 12))
def test_resolution_is_never_lower_than_asked(factors, resolution):
    if resolution > factors:
        with pytest.raises(ValueError, match=f"no fraction of {factors} factors has resolution {resolution}; there are"):
            catalogue.fractional_factorial(factors, resolution)
        return
    fraction = catalogue.fractional_factorial(factors, resolution)
    assert fraction.resolution >= resolution
    smaller = [runs for count, runs in EVERY if count == factors and runs < len(fraction.points)]
    assert all(catalogue.fractional_factorial(factors, runs=runs).resolution < resolution for runs in smaller)


# Every wish where pyDOE3 1.6.2 returns another resolution than asked for, more runs than needed, or nothing; and the best
# there is: Box, Hunter and Hunter, Table 12.15 (1978), to 11 factors in 128 runs; half fractions by Box and Hunter (1961);
# that no smaller fraction reaches it, by Griesmer's bound below.
DEPARTURES = [
    (7, 5, 64, 7), (8, 5, 64, 5), (9, 5, 128, 6), (10, 5, 128, 5), (11, 5, 128, 5),
    (8, 6, 128, 8), (9, 6, 128, 6), (10, 6, 256, 6), (11, 6, 256, 6),
    (9, 7, 256, 9), (10, 7, 512, 10), (11, 7, 512, 7),
    (10, 8, 512, 10), (11, 8, 1024, 11), (11, 9, 1024, 11), (7, 3, 8, 3),
    *((factors, factors, 2 ** (factors - 1), factors) for factors in range(3, 12)),
]


@pytest.mark.parametrize(("factors", "resolution", "runs", "reached"), DEPARTURES)
def test_where_the_library_of_designs_departs_from_the_tables(factors, resolution, runs, reached):
    fraction = catalogue.fractional_factorial(factors, resolution)
    assert (len(fraction.points), fraction.resolution) == (runs, reached)
    assert resolution_of(fraction.points) == reached
    # A fraction 2^(k-p) of resolution R is a binary linear code of length k, dimension p and distance R, and such a code
    # needs k >= sum of R / 2^i, rounded up, over i < p (Griesmer, IBM J. Res. Dev. 4 (1960) 532).
    needed = [sum(math.ceil(resolution / 2**i) for i in range(p)) for p in range(1, factors)]
    assert runs == 2 ** (factors - sum(length <= factors for length in needed))


def test_both_wishes_at_once():
    assert catalogue.fractional_factorial(7, resolution=4, runs=32).resolution == 4
    words = (
        r"no fraction of 7 factors has 32 runs and resolution 5; there are fractions of 8 runs \(resolution 3\), "
        r"16 runs \(resolution 4\), 32 runs \(resolution 4\), 64 runs \(resolution 7\), and the full factorial of 128 runs"
    )
    with pytest.raises(ValueError, match=words):
        catalogue.fractional_factorial(7, resolution=5, runs=32)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"factors": 2, "resolution": 3}, "tabulated for 3 to 12 factors, and there are 2"),
        ({"factors": 13, "resolution": 3}, "tabulated for 3 to 12 factors, and there are 13"),
        ({"factors": 5}, "needs a resolution or a number of runs"),
        ({"factors": 5, "resolution": 2}, "cannot tell main effects apart"),
        ({"factors": 5, "runs": 12}, "no fraction of 5 factors has 12 runs"),
        ({"factors": 5, "runs": 32}, "no fraction of 5 factors has 32 runs"),
    ],
)
def test_fractions_that_there_are_not(wish, words):
    with pytest.raises(ValueError, match=words):
        catalogue.fractional_factorial(**wish)


def in_letters(points):
    """What the runs cannot tell apart of main effects and two-factor interactions, as the textbooks write it."""
    levels = (0,) * points.shape[1]
    groups = alias_groups(points, standard_terms("interactions", levels), levels)
    ordered = [sorted(group, key=lambda effect: (len(effect), effect)) for group in groups]
    return [" = ".join("".join("ABCDEFGH"[i] for i in effect) for effect in group) for group in ordered]


def test_aliases_of_a_quarter_fraction():
    # Montgomery, Design and Analysis of Experiments, Example 8.4: 2^(6-2) with E = ABC and F = BCD.
    fraction = catalogue.fractional_factorial(6, runs=16)
    assert fraction.generators == ((0, 1, 2, 4), (1, 2, 3, 5))
    assert fraction.words == ((0, 1, 2, 4), (0, 3, 4, 5), (1, 2, 3, 5))
    assert in_letters(fraction.points) == ["AB = CE", "AC = BE", "AD = EF", "AE = BC = DF", "AF = DE", "BD = CF", "BF = CD"]


def test_aliases_of_a_saturated_fraction():
    # Montgomery, Design and Analysis of Experiments, section 8.5: 2^(7-4) with D = AB, E = AC, F = BC, G = ABC.
    assert in_letters(catalogue.fractional_factorial(7, resolution=3).points) == [
        "A = BD = CE = FG", "B = AD = CF = EG", "C = AE = BF = DG", "D = AB = CG = EF", "E = AC = BG = DF",
        "F = AG = BC = DE", "G = AF = BE = CD",
    ]


@pytest.mark.parametrize("levels", [(2,), (2, 3), (4, 2, 3), (2,) * 6])
def test_full_factorial_holds_every_combination_once(levels):
    points = catalogue.full_factorial(levels)
    assert sorted(map(tuple, points.tolist())) == sorted(product(*(map(float, range(count)) for count in levels)))


@pytest.mark.parametrize(
    ("levels", "words"),
    [((), "at least one factor"), ((2, 1), "two or more levels"), ((10,) * 6, "1000000 runs; a plan has at most")],
)
def test_full_factorials_that_are_no_plan(levels, words):
    with pytest.raises(ValueError, match=words):
        catalogue.full_factorial(levels)


@pytest.mark.parametrize(("factors", "runs"), [(3, 12), (4, 24), (5, 40), (6, 48), (7, 56)])
def test_box_behnken_runs(factors, runs):
    # Box and Behnken, Technometrics 2 (1960) 455; runs without the centre ones.
    points = catalogue.box_behnken(factors)
    assert points.shape == (runs, factors)
    levels = (0,) * factors
    with_centre = np.vstack([points, np.zeros((1, factors))])
    assert estimable(model_matrix(with_centre, standard_terms("quadratic", levels), levels))
    assert set(np.abs(points).sum(axis=1)) == {2.0 if factors < 6 else 3.0}
    assert np.ptp((points**2).sum(axis=0)) == 0


@pytest.mark.parametrize("factors", [3, 4, 7])
def test_box_behnken_is_rotatable_where_it_was_published_to_be(factors):
    # Rotatable for 4 and 7 factors (Box and Behnken 1960): fourth moments in the ratio 3 : 1 (Box and Hunter 1957).
    points = catalogue.box_behnken(factors)
    pure, mixed = (points**4).sum(axis=0), (points[:, 0] ** 2) @ points[:, 1] ** 2
    assert np.all(pure == 3 * mixed) == (factors in (4, 7))


@pytest.mark.parametrize("factors", [2, 8])
def test_box_behnken_designs_that_are_not_tabulated(factors):
    with pytest.raises(ValueError, match=f"tabulated for 3 to 7 factors, and there are {factors}"):
        catalogue.box_behnken(factors)


ALPHA = [row for row in rows_of("G_ccd_alpha") if int(row["p"]) == (1 if int(row["k"]) > 4 else 0)]


@pytest.mark.parametrize("row", ALPHA, ids=lambda row: f"k{row['k']}-centre{row['centre_runs']}")
def test_axial_distances(row):
    # Box and Hunter, Ann. Math. Stat. 28 (1957) 195 (rotatable); Khuri and Cornell, Response Surfaces (orthogonal).
    k, centre = int(row["k"]), int(row["centre_runs"])
    rotatable = catalogue.central_composite(k, "circumscribed", "rotatable", centre)
    assert rotatable.kinds.count("corner") == int(row["factorial_runs"])
    assert rotatable.kinds.count("centre") == centre
    assert rotatable.axial_distance == pytest.approx(float(row["alpha_rotatable"]), abs=5.1e-10)
    orthogonal = catalogue.central_composite(k, "circumscribed", "orthogonal", centre)
    assert orthogonal.axial_distance == pytest.approx(float(row["alpha_orthogonal"]), abs=5.1e-10)


@pytest.mark.parametrize(("k", "published"), expected_of("G_ccd_alpha")["published"]["orthogonal_n0_1"].items())
def test_orthogonal_distances_printed_in_textbooks(k, published):
    # Khuri and Cornell, Response Surfaces, with one centre run (from memory, three decimals; 3 factors print 1.216).
    design = catalogue.central_composite(int(k[0]), "circumscribed", "orthogonal", 1)
    assert design.axial_distance == pytest.approx(published, abs=1.1e-3)


@pytest.mark.parametrize("k", range(2, 9))
@pytest.mark.parametrize("centre", [1, 5])
def test_orthogonal_distance_makes_quadratic_columns_orthogonal(k, centre):
    squares = catalogue.central_composite(k, "circumscribed", "orthogonal", centre).points ** 2
    products = (squares - squares.mean(axis=0)).T @ (squares - squares.mean(axis=0))
    assert products - np.diag(np.diag(products)) == pytest.approx(np.zeros((k, k)), abs=1e-9)


@pytest.mark.parametrize("k", range(2, 9))
def test_rotatable_designs_predict_equally_well_at_equal_distance(k):
    levels, rng = (0,) * k, np.random.default_rng(1)
    terms = standard_terms("quadratic", levels)
    design = catalogue.central_composite(k, "circumscribed", "rotatable", 3)
    directions = rng.normal(size=(5, k))
    at_distance = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    X = model_matrix(design.points, terms, levels)
    assert np.ptp(criteria.prediction_variance(model_matrix(at_distance, terms, levels), X)) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("k", range(2, 9))
def test_blocking_distance_makes_blocks_orthogonal(k):
    # Box and Hunter, Ann. Math. Stat. 28 (1957) 195: a block's share of each factor's sum of squares is its share of the runs.
    design = catalogue.central_composite(k, "circumscribed", "blocking", 4)
    kinds = np.array(design.kinds)
    squares = design.points[:, 0] ** 2
    runs_of_corners = (kinds == "corner").sum() + 2
    assert squares[kinds == "corner"].sum() / squares.sum() == pytest.approx(runs_of_corners / len(kinds))


def runs_of(points):
    return sorted(map(tuple, np.round(points, 9).tolist()))


@pytest.mark.parametrize("k", [2, 3, 4])
@pytest.mark.parametrize(
    ("form", "distance", "theirs"),
    [
        ("circumscribed", "rotatable", {"alpha": "rotatable", "face": "circumscribed"}),
        ("inscribed", "rotatable", {"alpha": "rotatable", "face": "inscribed"}),
        ("face", "rotatable", {"alpha": "rotatable", "face": "faced"}),
        ("circumscribed", "blocking", {"alpha": "orthogonal", "face": "circumscribed"}),
    ],
)
def test_agreement_with_the_library_of_designs_where_it_is_right(k, form, distance, theirs):
    ours = catalogue.central_composite(k, form, distance, 4).points
    assert runs_of(ours) == runs_of(pyDOE3.ccdesign(k, center=(2, 2), **theirs) + 0.0)


@pytest.mark.parametrize(("k", "corners"), [(4, 16), (5, 16), (6, 32), (7, 64), (8, 64), (9, 128)])
def test_corners_are_of_resolution_five_or_more(k, corners):
    design = catalogue.central_composite(k, "face", "rotatable", 0)
    points = design.points[np.array(design.kinds) == "corner"]
    assert len(points) == corners
    assert (resolution_of(points) or k + 1) >= 5


def test_forms():
    inscribed = catalogue.central_composite(3, "inscribed", "rotatable", 2)
    assert inscribed.axial_distance == pytest.approx(8**0.25)
    assert np.abs(inscribed.points).max() == 1
    assert np.abs(inscribed.points[0]) == pytest.approx(np.full(3, 8**-0.25))
    assert inscribed.points[8].tolist() == [-1, 0, 0]
    face = catalogue.central_composite(3, "face", "rotatable", 2)
    assert face.axial_distance == 1
    assert set(face.points.ravel().tolist()) == {-1, 0, 1}
    assert catalogue.central_composite(3, "circumscribed", 1.5, 0).points.max() == 1.5
    assert face.kinds == ("corner",) * 8 + ("axial",) * 6 + ("centre",) * 2


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ((1, "face", "rotatable", 1), "two or more factors"),
        ((3, "face", "rotatable", -1), "0 or more centre runs"),
        ((3, "cube", "rotatable", 1), "'cube' is not a form; it is one of circumscribed"),
        ((3, "circumscribed", "spherical", 1), "'spherical' is not an axial distance"),
        ((3, "circumscribed", 0.0, 1), "an axial distance must be above 0"),
        ((3, "circumscribed", math.nan, 1), "an axial distance must be above 0"),
        ((3, "circumscribed", "blocking", 3), "share the centre runs equally, and 3 is an odd number"),
        ((2, "inscribed", "orthogonal", 0), "an inscribed design needs an axial distance of at least 1, and it is 0.91"),
        ((13, "face", "rotatable", 1), "tabulated for 3 to 12 factors"),
    ],
)
def test_composites_that_there_are_not(given_, words):
    with pytest.raises(ValueError, match=words):
        catalogue.central_composite(*given_)


@pytest.mark.parametrize(
    ("name", "wrong", "call", "words"),
    [
        ("fullfact", lambda levels: np.zeros((4, 2)), lambda: catalogue.full_factorial((2, 2)), "a combination is repeated"),
        ("fullfact", lambda levels: np.zeros((3, 2)), lambda: catalogue.full_factorial((2, 2)), "wrong shape"),
        (
            "fullfact", lambda levels: np.array(list(product([-1.0, 1.0], repeat=2))),
            lambda: catalogue.full_factorial((2, 2)), "a level is not a whole number",
        ),
        (
            "fracfact", lambda text: np.array(list(product([-1.0, 1.0], repeat=3)))[:4],
            lambda: catalogue.fractional_factorial(3, 3), "a generator does not hold",
        ),
        (
            "fracfact", lambda text: np.array(list(product([0.0, 1.0], repeat=3)))[:4],
            lambda: catalogue.fractional_factorial(3, 3), "a level is not -1 or 1",
        ),
        ("fracfact", lambda text: np.ones((4, 3)), lambda: catalogue.fractional_factorial(3, 3), "a run is repeated"),
        ("bbdesign", lambda k, center: np.zeros((15, 3)), lambda: catalogue.box_behnken(3), "wrong shape"),
        ("bbdesign", lambda k, center: np.full((12, 3), 0.5), lambda: catalogue.box_behnken(3), "not -1, 0 or 1"),
        ("bbdesign", lambda k, center: np.zeros((12, 3)), lambda: catalogue.box_behnken(3), "a run is repeated"),
        (
            "bbdesign", lambda k, center: np.array(list(product([-1.0, 0, 1], repeat=3)))[:12],
            lambda: catalogue.box_behnken(3), "its columns are not orthogonal",
        ),
    ],
)
def test_what_comes_back_from_the_library_is_checked(monkeypatch, name, wrong, call, words):
    monkeypatch.setattr(pyDOE3, name, wrong)
    with pytest.raises(InternalFault, match=words):
        call()
