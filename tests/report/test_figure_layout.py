import itertools

import numpy as np
import pytest

from doe.report import draw_levels, draw_lines, figure_layout, figures, svg
from doe.report.level_views import LevelBandView
from doe.report.line_views import IntervalView
from doe.report.views import LevelView, Series

LONG = "smooth sheet with a thin coat of glue, dried for two minutes at sixty degrees, wiped with a cloth and warmed once more "
LONG = (LONG * 2)[:170].strip()


def _drawn(figure):
    svg.drawn(figure)
    return figure.canvas.get_renderer()


def _inside(figure, renderer):
    """Whether nothing of any axes reaches beyond the figure, half a point aside."""
    boxes = [axes.get_tightbbox(renderer, for_layout_only=True) for axes in figure.axes]
    width, height = figure.bbox.size
    return all(box.x0 > -0.5 and box.y0 > -0.5 and box.x1 < width + 0.5 and box.y1 < height + 0.5 for box in boxes)


def test_axes_fill_what_their_texts_leave_with_three_points_at_the_edges():
    with figures.new_figure() as (figure, axes):
        axes.plot([0, 10], [-1000, 1000])
        axes.set_xlabel("hours")
        axes.set_ylabel("two\nlines")
        renderer = _drawn(figure)
        box, (width, height) = axes.get_tightbbox(renderer, for_layout_only=True), figure.bbox.size
        assert (box.x0, box.y0, width - box.x1, height - box.y1) == pytest.approx((3, 3, 3, 3), abs=0.1)


def test_axes_below_each_other_are_alike_and_do_not_overlap():
    with figures.new_figure() as (figure, axes):
        axes.remove()
        strips = figure.subplots(3, 1)
        for number, strip in enumerate(strips):
            strip.set_xlabel("\n".join(["line"] * (number + 1)))
        label = figure.supylabel("upright")
        renderer = _drawn(figure)
        places = [strip.get_position() for strip in strips]
        for side in ("x0", "width", "height"):
            assert np.ptp([getattr(place, side) for place in places]) < 1e-9
        boxes = [strip.get_tightbbox(renderer) for strip in strips]
        assert all(upper.y0 > lower.y1 for upper, lower in itertools.pairwise(boxes))
        assert label.get_window_extent(renderer).x1 < min(box.x0 for box in boxes)
        assert _inside(figure, renderer)


def test_axes_keep_a_quarter_however_long_the_texts_are():
    with figures.new_figure() as (figure, axes):
        axes.set_yticks([0, 1], ["n" * 300, "m"])
        axes.set_xticks([0, 1], ["n" * 300, "m"], rotation=90)
        _drawn(figure)
        place = axes.get_position()
        assert (place.width, place.height) == pytest.approx((figure_layout._LEAST, figure_layout._LEAST))


@pytest.mark.parametrize("count", [2, 6, 9])
def test_a_level_name_of_170_letters_leaves_axes(monkeypatch, count):
    kept = []
    monkeypatch.setattr(figures, "as_svg", lambda figure: kept.append((figure, _drawn(figure))))
    names, flat = tuple(f"{number} {LONG}" for number in range(count)), np.full((count, 2), [0.4, 0.6])
    series = tuple(Series(LONG, np.full(count, 0.5), flat, np.empty((0, 2))) for _ in range(2))
    figures.level_figure(LevelView(
        levels=names, labels=(LONG, LONG), series=series, limits=(), is_share=True, caption="", alt="",
    ))  # fmt: skip
    draw_levels.level_band_figure(LevelBandView(
        levels=names, mean=np.full(count, 0.5), inner=flat, outer=flat, labels=(LONG, LONG), dots=np.empty((0, 2)), limits=(),
        setting=0, caption="",
    ))  # fmt: skip
    draw_lines.interval_figure(IntervalView(
        names=names * 8, centre=np.full(count * 8, 0.5), interval=np.tile(flat, (8, 1)), label=LONG, caption="",
    ))  # fmt: skip
    assert [len(figure.axes[0].texts) for figure, _ in kept] == [0, 0, 8 * count]
    for figure, renderer in kept:
        assert _inside(figure, renderer)
        place = figure.axes[0].get_position()
        assert place.width > figure_layout._LEAST and place.height > figure_layout._LEAST
        boxes = [name.get_window_extent(renderer) for name in figure.axes[0].texts]
        assert all(lower.y1 < upper.y0 + 1 for upper, lower in itertools.pairwise(boxes))


def test_what_has_no_room_ends_in_an_ellipsis():
    assert figures.wrapped("one two three four", 9, 1) == "one two …"
    assert figures.wrapped("one two three four", 9) == "one two\nthree\nfour"
    assert figures.wrapped("板", 9) == "[U+677F]"
