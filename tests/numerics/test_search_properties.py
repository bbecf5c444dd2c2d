"""What every plan found must keep: grids, loads, limits, given cells and pairs; and what no single change may better."""

import math
from dataclasses import replace

import numpy as np
import pytest

from doe.numerics import criteria
from doe.numerics.search import Task, even_loads, replicate_pairs, search
from doe.numerics.terms import model_matrix, standard_terms

FIVE = np.linspace(-1, 1, 5)
FINE = np.linspace(-1, 1, 21)


def quadratic(k):
    return standard_terms("quadratic", (0,) * k)


def full_rows(task, design):
    X = model_matrix(design, task.terms, task.levels)
    return X if task.blocks is None else np.hstack([X, task.blocks])


def score_of(task, design, moments):
    """The criterion from its definition, for a task whose region is the cube."""
    X = full_rows(task, design)
    prior = np.zeros(X.shape[1])
    prior[: X.shape[1] if task.prior is None else len(task.prior)] = 0 if task.prior is None else task.prior
    if np.linalg.matrix_rank(np.vstack([X, np.diag(np.sqrt(prior))])) < X.shape[1]:
        return -math.inf
    M = criteria.information(X, task.load, task.ratio) + np.diag(prior)
    log_d = float(np.linalg.slogdet(M)[1])
    if task.criterion == "d":
        return log_d
    size = len(moments)
    average = float(np.sum(np.linalg.inv(M)[:size, :size] * moments))
    return -average if task.criterion == "i" else log_d / (2 * len(M)) - math.log(average) / 2


def one_change(task, design):
    """Every design that differs in one factor of one print and its copies, or of one load for a hard factor."""
    copies = {row: {row} for row in range(task.runs)}
    for i, j in task.pairs:
        copies[i] = copies[j] = copies[i] | copies[j]
    loads = np.arange(task.runs) if task.load is None else task.load
    for factor, grid in enumerate(task.grids):
        groups = {tuple(sorted(group)) for group in copies.values()}
        if factor in task.hard:
            groups = {tuple(np.flatnonzero(loads == code)) for code in np.unique(loads)}
        for rows in sorted(groups):
            if task.fixed is not None and not np.isnan(task.fixed[list(rows), factor]).all():
                continue
            for value in grid:
                changed = design.copy()
                changed[list(rows), factor] = value
                yield changed


def keeps_limits(task, design):
    return task.limits is None or bool((design @ task.limits[0].T <= task.limits[1] + 1e-9).all())


def assert_best_of_neighbours(task, found):
    moments = criteria.moment_matrix(task.terms, task.levels)
    own = score_of(task, found.settings, moments)
    assert own == pytest.approx(found.score, abs=1e-9)
    others = [score_of(task, other, moments) for other in one_change(task, found.settings) if keeps_limits(task, other)]
    assert max(others) <= own + 1e-9


def assert_keeps_everything(task, found):
    design = found.settings
    free = np.ones(design.shape, dtype=bool) if task.fixed is None else np.isnan(task.fixed)
    if task.fixed is not None:
        assert np.array_equal(design[~free], task.fixed[~free])
    for factor, grid in enumerate(task.grids):
        rows = free[:, factor]
        if factor in task.hard:
            rows = np.array([free[task.load == code, factor].all() for code in task.load])
            for code in np.unique(task.load):
                assert len(np.unique(design[task.load == code, factor])) == 1
        assert np.isin(design[rows, factor], grid).all()
    for i, j in task.pairs:
        assert np.array_equal(design[i], design[j])
    assert keeps_limits(task, design)


LOADS = even_loads(20, 5)
PRINTERS = np.where(np.arange(20) % 2 == 0, 1.0, -1.0)[:, None]


def constrained():
    return Task(
        quadratic(3), (0, 0, 0), 20, (FINE, FINE, FIVE), LOADS, (2,), blocks=PRINTERS,
        limits=(np.array([[1.0, 1.0, 0.0], [-1.0, 0.0, -1.0]]), np.array([1.0, 1.3])), pairs=replicate_pairs(LOADS, 2),
    )


def with_given_rows():
    rng = np.random.default_rng(4)
    fixed = np.full((20, 3), np.nan)
    fixed[:4] = np.column_stack([rng.uniform(-1, 1, (4, 2)), np.full(4, 0.37)])  # a load that is made, off the grids
    fixed[5] = [0.11, -0.52, -1.0]  # a single print of the next load: its hard factor follows
    pairs = replicate_pairs(LOADS, 2, [*range(4), 5])
    return Task(quadratic(3), (0, 0, 0), 20, (FINE, FINE, FIVE), LOADS, (2,), fixed=fixed, pairs=pairs)


def with_names():
    levels = (0, 3, 2)
    return Task(
        standard_terms("quadratic", levels), levels, 20, (FINE, np.arange(3.0), np.arange(2.0)), LOADS, (1,),
        pairs=replicate_pairs(LOADS, 2),
    )


def with_prior():
    terms = (*quadratic(3), (0, 0, 1), (0, 1, 2))
    prior = np.concatenate([np.zeros(10), np.ones(2)])
    return Task(terms, (0, 0, 0), 11, (FIVE, FIVE, FIVE), prior=prior, criterion="d")


def without_loads():
    return Task(quadratic(2), (0, 0), 9, (FINE, FINE), pairs=((0, 4), (4, 8)), criterion="i")


MAKERS = {make.__name__: make for make in (constrained, with_given_rows, with_names, with_prior, without_loads)}


@pytest.fixture(scope="module", params=MAKERS)
def case(request):
    task = MAKERS[request.param]()
    return task, search(task, starts=30, seed=2, polish=4)


def test_keeps_what_it_must(case):
    assert_keeps_everything(*case)


def test_no_single_change_is_better(case):
    assert_best_of_neighbours(*case)


def test_no_single_change_is_better_for_the_default_plan():
    load = even_loads(30, 6)
    task = Task(quadratic(4), (0,) * 4, 30, (FINE,) * 4, load, (3,), pairs=replicate_pairs(load, 3))
    assert_best_of_neighbours(task, search(task))


@pytest.mark.parametrize("criterion", ["d", "i", "compound"])
def test_no_single_change_is_better_by_any_criterion(criterion):
    task = replace(with_names(), criterion=criterion, ratio=3.0)
    assert_best_of_neighbours(task, search(task, starts=20, polish=3))


def test_same_seed_same_bytes():
    first, second, other = (search(constrained(), starts=20, seed=seed, polish=3) for seed in (5, 5, 6))
    assert first.settings.tobytes() == second.settings.tobytes()
    assert (first.log_d, first.average_variance, first.score) == (second.log_d, second.average_variance, second.score)
    assert first.settings.tobytes() != other.settings.tobytes()


def large(grid=FIVE, **changes):
    load = even_loads(80, 16)
    given = {"load": load, "hard": (7,), "pairs": replicate_pairs(load, 3), **changes}
    return Task(quadratic(8), (0,) * 8, 80, (grid,) * 8, **given)


def test_a_large_task_gets_fewer_starts_and_keeps_what_it_must():
    # 80 prints x 45^2 columns are 162,000, 1.62 times what is given all: of 10 starts 6 are left.
    found = search(large(), starts=10)
    assert math.isfinite(found.score)
    assert found.starts == 6
    assert_keeps_everything(large(), found)


@pytest.mark.parametrize(("runs", "asked", "used"), [(49, 6, 6), (50, 6, 5), (90, 6, 4), (90, 3, 3)])
def test_starts_follow_from_sizes(runs, asked, used):
    # Main effects of 44 factors with two values, 45 columns: 49 x 45^2 is below 100,000 and 50 x 45^2 above.
    ends = (np.array([-1.0, 1.0]),) * 44
    task = Task(standard_terms("main", (0,) * 44), (0,) * 44, runs, ends, criterion="d")
    assert search(task, starts=asked).starts == used


def test_a_large_task_nearly_reaches_its_bound():
    # |M| is at most n^p for values within [-1, 1] (Hadamard). Of 128 x 32^2 columns, 1.31 times the limit, 15 starts of 20.
    task = Task(standard_terms("main", (0,) * 31), (0,) * 31, 128, (np.array([-1.0, 1.0]),) * 31, criterion="d")
    found = search(task, starts=20)
    assert found.starts == 15
    assert 0.99 <= math.exp(found.log_d / 32) / 128 <= 1 + 1e-9


def test_a_large_task_with_limits_keeps_them():
    # Of 10 starts 3 would be left, since random designs are improved on all values too, and 4 are the least.
    weights = np.array([[1.0, 1.0, *[0.0] * 6], [-1.0, -1.0, *[0.0] * 6]])
    task = large(np.linspace(-1, 1, 7), limits=(weights, np.array([1.6, 1.6])))
    found = search(task, starts=10)
    assert found.starts == 4
    assert_keeps_everything(task, found)


def test_exchanged_factors_and_levels_are_as_good():
    load = even_loads(16, 4)
    task = Task(quadratic(3), (0,) * 3, 16, (FIVE,) * 3, load, (2,))
    found = search(task, starts=20)
    moments = criteria.moment_matrix(task.terms, task.levels)
    for other in (found.settings[:, [1, 0, 2]], found.settings * [-1, 1, -1]):
        assert score_of(task, other, moments) == pytest.approx(found.score, abs=1e-9)


@pytest.mark.parametrize("seed", range(9))
def test_any_task_keeps_what_it_must(seed):
    rng = np.random.default_rng(seed)
    criterion, ratio = ("d", "i", "compound")[seed % 3], float(rng.uniform(0, 12))
    # Of 14 prints 10 at least are different, those given and the pair counted once each: as many as terms.
    runs, loads = int(rng.integers(14, 18)), int(rng.integers(3, 6))
    load = even_loads(runs, loads)
    fixed = np.full((runs, 3), np.nan)
    made = int(rng.integers(0, 4))
    fixed[:made] = [*rng.uniform(-0.3, 0.3, 2), 0.0]  # near the centre, which keeps the limits below
    weights = rng.normal(size=(2, 3)) * [1, 1, 0]
    task = Task(
        quadratic(3), (0, 0, 0), runs, (FINE, FIVE, np.array([-1.0, 0.0, 1.0])), load, (2,),
        limits=(weights, np.full(2, 0.6) * np.abs(weights).sum(axis=1)), fixed=fixed, ratio=ratio, criterion=criterion,
        pairs=replicate_pairs(load, 1, range(made)),
    )
    found = search(task, starts=10, seed=seed, polish=2)
    assert_keeps_everything(task, found)
    assert_best_of_neighbours(task, found)


def test_box_moves_the_region():
    # The average over a box by Gauss-Legendre quadrature, exact for these polynomials.
    box = np.array([[-0.2, 0.6], [0.1, 0.9]])
    grids = tuple(np.linspace(low, high, 9) for low, high in box)
    task = Task(quadratic(2), (0, 0), 10, grids, criterion="i", box=box)
    found = search(task, starts=20)
    nodes, weights = np.polynomial.legendre.leggauss(5)
    at = [low + (nodes + 1) / 2 * (high - low) for low, high in box]
    points = np.array([[a, b] for a in at[0] for b in at[1]])
    rows, X = model_matrix(points, task.terms, task.levels), model_matrix(found.settings, task.terms, task.levels)
    average = float(criteria.prediction_variance(rows, X) @ np.outer(weights, weights).ravel() / 4)
    assert found.average_variance == pytest.approx(average, rel=1e-9)
    # The same problem on [-1, 1], to which any box is a linear change of the factors.
    cube = search(replace(task, grids=(np.linspace(-1, 1, 9),) * 2, box=None), starts=20)
    assert found.average_variance == pytest.approx(cube.average_variance, rel=1e-9)


def test_narrow_limits():
    # Of the nine combinations of the ends and the middle only (0, 1) and (1, 0) have a sum between .85 and 1.15.
    limits = (np.array([[1.0, 1.0], [-1.0, -1.0]]), np.array([1.15, -0.85]))
    task = Task(((), (0,), (0, 0)), (0, 0), 6, (FINE, FINE), limits=limits, criterion="d")
    found = search(task, starts=20)
    assert_keeps_everything(task, found)
    assert len(np.unique(found.settings[:, 0])) >= 3


def test_even_loads_and_pairs():
    assert np.bincount(even_loads(20, 6)).tolist() == [4, 4, 3, 3, 3, 3]
    load = even_loads(20, 6)
    pairs = replicate_pairs(load, 6, fixed_rows=[0, 1])
    assert len({int(load[i]) for i, _ in pairs}) == 6 and all(load[i] == load[j] for i, j in pairs)
    assert not {0, 1} & {row for pair in pairs for row in pair}
    with pytest.raises(ValueError, match="hold 6 pairs"):
        replicate_pairs(even_loads(12, 6), 7)
    with pytest.raises(ValueError, match="1 to 5 loads"):
        even_loads(5, 6)


def small(**changes):
    base = Task(quadratic(2), (0, 0), 8, (FIVE, FIVE), even_loads(8, 4), (1,))
    return replace(base, **changes)


def cells(**given_cells):
    fixed = np.full((8, 2), np.nan)
    for name, values in given_cells.items():
        fixed[int(name[1:])] = values
    return fixed


REFUSED = {
    "too few prints": (small(runs=5, load=even_loads(5, 4)), "6 columns to estimate"),
    "too few for blocks": (small(blocks=np.tile(np.eye(4), (2, 1))[:, :3]), "9 columns to estimate"),
    "empty grid": (small(grids=(FIVE, np.array([]))), "factor number 2 has no value"),
    "unsorted grid": (small(grids=(FIVE[::-1], FIVE)), "ascending order"),
    "wrong count of grids": (small(grids=(FIVE,)), "2 factors and 1 grids"),
    "level outside": (small(levels=(0, 2), terms=((), (0,), (1,)), grids=(FIVE, np.arange(3.0))), "must be 0 to 1"),
    "negative ratio": (small(ratio=-1.0), "ratio of load to print variance"),
    "hard without loads": (small(load=None), "only where the prints have loads"),
    "hard beyond": (small(hard=(2,)), "not among the 2 factors"),
    "missing load": (small(load=np.array([0, 0, 1, 1, 3, 3, 4, 4])), "code of its load"),
    "pair in two loads": (small(pairs=((0, 7),)), "must be in one load"),
    "pair beyond": (small(pairs=((0, 8),)), "two of the 8 prints"),
    "two hard values": (small(fixed=cells(r0=[0, 1], r1=[0, -1])), "given two values in load 1"),
    "two values in a pair": (small(pairs=((0, 1),), fixed=cells(r0=[0, 1], r1=[1, 1])), "given two values in a pair"),
    "given row beyond limits": (
        small(fixed=cells(r0=[1, 1]), limits=(np.array([[1.0, 1.0]]), np.array([1.0]))), "breaks the limits"),
    "no room": (small(limits=(np.array([[1.0, 1.0]]), np.array([-3.0]))), "no design was found that keeps the limits"),
    "shape of limits": (small(limits=(np.ones((1, 3)), np.ones(1))), "a weight for every factor"),
    "shape of fixed": (small(fixed=np.zeros((8, 3))), "shape of the fixed cells"),
    "negative prior": (small(prior=np.full(6, -1.0)), "must not be negative"),
    "no third hard level": (small(grids=(FIVE, np.array([-1.0, 1.0]))), "every term of the model can be estimated"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusals(name):
    refused, words = REFUSED[name]
    with pytest.raises(ValueError, match=words):
        search(refused, starts=5)


@pytest.mark.parametrize(("starts", "polish"), [(0, 1), (1, 0)])
def test_counts_are_positive(starts, polish):
    with pytest.raises(ValueError, match="at least one"):
        search(small(), starts=starts, polish=polish)
