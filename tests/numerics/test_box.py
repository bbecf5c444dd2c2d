"""Boxes in a map of allowed settings, against every box of small grids."""

from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics.box import grow_box, widest_box


def every_box(ok, chosen):
    """Yield lower and upper places of every box of allowed settings about the chosen one."""
    sides = [
        [(low, high) for low, high in combinations_with_replacement(range(size), 2) if low <= place <= high]
        for size, place in zip(ok.shape, chosen, strict=True)
    ]
    for ends in product(*sides):
        if ok[tuple(slice(low, high + 1) for low, high in ends)].all():
            yield ends


def widths(ends, axes, scale):
    return [
        round((axis[high] - axis[low]) / 2 / unit, 9) for (low, high), axis, unit in zip(ends, axes, scale, strict=True)
    ]


def depth(ends, chosen, axes, scale):
    pairs = zip(ends, chosen, axes, scale, strict=True)
    return sorted(round(min(a[c] - a[low], a[high] - a[c]) / unit, 9) for (low, high), c, a, unit in pairs)


def ends_of(box):
    return tuple((own[0], own[-1]) for own in box.places)


@st.composite
def maps(draw):
    shape = draw(st.lists(st.integers(1, 5), min_size=1, max_size=4).filter(lambda one: np.prod(one) <= 120))
    share = draw(st.sampled_from([0.5, 0.8, 0.95]))
    random = np.random.default_rng(draw(st.integers(0, 10_000)))
    even = draw(st.booleans())
    steps = [np.ones(size) if even else random.integers(1, 4, size).astype(float) for size in shape]
    scale = [draw(st.sampled_from([0.5, 1.0, 3.0])) for _ in shape]
    ok = random.random(shape) < share
    return ok, tuple(int(random.integers(size)) for size in shape), [np.cumsum(one) for one in steps], scale


@settings(max_examples=250, deadline=None)
@given(maps())
def test_widest_box_is_the_best_of_all_boxes(case):
    ok, chosen, axes, scale = case
    found = widest_box(ok, chosen, axes, scale)
    if not ok[chosen]:
        assert found is None
        return
    best = max((sorted(widths(ends, axes, scale)), depth(ends, chosen, axes, scale)) for ends in every_box(ok, chosen))
    assert ends_of(found) in set(every_box(ok, chosen))
    assert sorted(widths(ends_of(found), axes, scale)) == best[0]
    assert depth(ends_of(found), chosen, axes, scale) == best[1]
    assert found.half_widths == pytest.approx(widths(ends_of(found), axes, scale))


@settings(max_examples=250, deadline=None)
@given(maps(), st.integers(1, 130))
def test_grown_box_keeps_its_guarantee(case, most):
    ok, chosen, axes, scale = case
    asked = []

    def check(places):
        asked.extend(map(tuple, places.tolist()))
        return ok[tuple(places.T)]

    found = grow_box(check, chosen, axes, scale, most)
    assert len(asked) == len(set(asked)) <= most
    if not ok[chosen]:
        assert found is None
        return
    places = found.box.places
    inside = set(product(*places))
    assert tuple(chosen) in inside <= set(asked)
    assert ok[np.ix_(*places)].all()
    assert found.evaluations == len(asked)
    for i, way in product(range(len(axes)), (-1, 1)):
        beyond = places[i][0] - 1 if way < 0 else places[i][-1] + 1
        if 0 <= beyond < len(axes[i]) and (i, way) not in found.untried:
            assert not ok[np.ix_(*places[:i], (beyond,), *places[i + 1 :])].all()
    if most >= ok.size:
        assert found.untried == ()


@settings(max_examples=50, deadline=None)
@given(maps())
def test_factor_without_effect_has_its_whole_range(case):
    ok, chosen, axes, scale = case
    axis = np.linspace(200.0, 230.0, 7)
    ok, chosen, axes, scale = np.stack([ok] * 7, axis=-1), (*chosen, 2), [*axes, axis], [*scale, 10.0]
    found = widest_box(ok, chosen, axes, scale)
    if found is not None:
        assert found.places[-1] == tuple(range(7))
        assert found.half_widths[-1] == pytest.approx(1.5)
        assert grow_box(lambda places: ok[tuple(places.T)], chosen, axes, scale).box.places[-1] == tuple(range(7))


def test_box_need_not_be_centred_on_the_chosen_setting():
    # Allowed is a 5 x 5 square with the chosen setting in a corner of it, and a long strip through that corner.
    ok = np.zeros((9, 9), dtype=bool)
    ok[4:9, 4:9] = ok[4, :] = True
    found = widest_box(ok, (4, 4), [np.arange(9.0)] * 2, [1.0, 1.0])
    assert ends_of(found) == ((4, 8), (4, 8))
    assert found.half_widths == (2.0, 2.0)


def test_scale_decides_between_two_boxes():
    # 7 x 3 or 3 x 7 settings; where a step of the first factor counts for less, the box is long in it.
    ok = np.zeros((7, 7), dtype=bool)
    ok[:, 2:5] = ok[2:5, :] = True
    axes = [np.arange(7.0)] * 2
    assert ends_of(widest_box(ok, (3, 3), axes, [2.0, 1.0])) == ((0, 6), (2, 4))
    assert ends_of(widest_box(ok, (3, 3), axes, [1.0, 2.0])) == ((2, 4), (0, 6))


def test_levels_are_added_where_the_whole_box_is_allowed():
    ok = np.ones((3, 5, 2), dtype=bool)
    ok[0, 4, 0] = ok[1, 0, 0] = False  # the first level loses the last value, the second the first one
    axes = [np.zeros(3), np.arange(5.0), np.zeros(2)]
    found = widest_box(ok, (2, 2, 0), axes, [None, 1.0, None])
    assert found.places == ((2,), (0, 1, 2, 3, 4), (0, 1))
    assert found.half_widths == (None, 2.0, None)
    at_first = widest_box(ok, (0, 2, 0), axes, [None, 1.0, None])
    assert at_first.places == ((0, 2), (0, 1, 2, 3), (0, 1))
    grown = grow_box(lambda places: ok[tuple(places.T)], (0, 2, 0), axes, [None, 1.0, None])
    assert (grown.box, grown.untried) == (at_first, ())


def test_levels_alone():
    assert widest_box([True, False, True], (2,), [[0, 1, 2]], [None]).places == ((0, 2),)


def test_window_in_which_the_chosen_setting_is_alone():
    ok = np.eye(3, dtype=bool)
    assert widest_box(ok, (1, 1), [np.arange(3.0)] * 2, [1.0, 1.0]).places == ((1,), (1,))


def test_few_evaluations_are_told():
    asked = []

    def check(places):
        asked.append(len(places))
        return np.ones(len(places), dtype=bool)

    found = grow_box(check, (10, 10, 10), [np.arange(21.0)] * 3, [1.0] * 3, most=400)
    assert sum(asked) == found.evaluations <= 400
    assert {axis for axis, _ in found.untried} == {0, 1, 2}
    assert sorted(len(own) for own in found.box.places) == [7, 7, 8]  # 392 settings; 7 x 8 x 8 are 448


def test_wide_axis_that_is_barred_to_one_side():
    ok = np.zeros(6, dtype=bool)
    ok[:2] = ok[3:] = True
    assert ends_of(widest_box(ok, (1,), [np.arange(6.0)], [1.0])) == ((0, 1),)


@pytest.mark.parametrize(
    ("ok", "chosen", "axes", "scale", "message"),
    [
        (np.ones((2, 3)), (0, 0), [[0, 1], [0, 1]], [1.0, 1.0], "one entry for each combination"),
        (np.ones(2), (0, 0), [[0, 1]], [1.0], "needed for each factor"),
        (np.ones(2), (0,), [[1, 0]], [1.0], "ascending order"),
        (np.ones(2), (2,), [[0, 1]], [1.0], "not one of the 2 places"),
        (np.ones(2), (-1,), [[0, 1]], [None], "not one of the 2 places"),
        (np.ones(2), (0,), [[0, 1]], [0.0], "above zero"),
    ],
)
def test_refuses_what_is_no_map(ok, chosen, axes, scale, message):
    with pytest.raises(ValueError, match=message):
        widest_box(ok, chosen, axes, scale)


def test_refuses_to_grow_without_evaluations():
    with pytest.raises(ValueError, match="at least one setting"):
        grow_box(lambda places: np.ones(len(places), dtype=bool), (0,), [[0, 1]], [1.0], most=0)
