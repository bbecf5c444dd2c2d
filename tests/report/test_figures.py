import re

import numpy as np
import pytest

from doe.report import figures
from doe.report.views import LevelView, Limit, Series, SurfaceView

X, Y = np.linspace(255, 285, 31), np.linspace(2, 10, 31)


def _surface(z=None, **changes):
    across, up = np.meshgrid((X - 270) / 15, (Y - 6) / 4)
    made = {
        "x": X, "y": Y, "z": 27 + across + 2 * up - across**2 if z is None else z,
        "labels": ("nozzle temperature, °C", "drying time, h", "z strength, MPa"),
        "prints": np.array([[255.0, 2.0], [270.0, 6.0], [270.1, 6.0], [296.0, 10.0]]),
        "limits": (Limit(27.0, True, "at least 27 MPa"), Limit(28.5, False, "at most 28.5 MPa")),
        "setting": (277.5, 8.0), "caption": "", "alt": "",
    }
    return SurfaceView(**{**made, **changes})


def _levels(**changes):
    series = (
        Series(
            "surface glass", np.array([0.4, 0.6, np.nan]), np.array([[0.2, 0.6], [0.3, 0.8], [np.nan, np.nan]]),
            np.array([[0.0, 0.5]]),
        ),
        Series("surface sheet", np.array([0.3, 0.5, 0.9]), np.full((3, 2), np.nan), np.empty((0, 2))),
    )
    made = {"levels": ("255", "270", "285"), "labels": ("nozzle temperature, °C", "share"), "series": series, "limits": (),
            "is_share": True, "caption": "", "alt": ""}
    return LevelView(**{**made, **changes})


@pytest.mark.parametrize(("draw", "view"), [(figures.surface_figure, _surface()), (figures.level_figure, _levels())])
def test_the_same_view_gives_the_same_bytes_without_date_or_font(draw, view):
    first, second = draw(view), draw(view)
    assert first == second
    assert first.startswith(b"<?xml")
    for absent in (b"<text", b"<dc:date>", b"font-family", b"matplotlib.org"):
        assert absent not in first


def test_settings_of_the_machine_do_not_matter():
    import matplotlib as mpl

    plain = figures.surface_figure(_surface())
    with mpl.rc_context({"font.family": "monospace", "axes.grid": True, "lines.linewidth": 5.0, "svg.fonttype": "none"}):
        assert figures.surface_figure(_surface()) == plain


def test_bands_are_shades_of_one_hue_that_only_get_darker():
    lightness = figures.BANDS(np.linspace(0, 1, 20))[:, :3] @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(lightness) < 0).all()
    red, green, blue = figures.BANDS(np.linspace(0.05, 1, 20))[:, :3].T
    assert ((red < green) & (green < blue)).all()


def test_a_flat_surface_is_drawn_and_said_to_be_flat():
    assert figures.surface_figure(_surface(np.full((31, 31), 27.0))).startswith(b"<?xml")


def test_nothing_to_draw_on_top_is_fine():
    assert figures.surface_figure(_surface(prints=np.empty((0, 2)), limits=(), setting=None)).startswith(b"<?xml")


def test_labels_are_text_and_letters_without_a_glyph_are_code_points():
    odd = ("a $\\frac{1}{2}$ & <b>", "表面", "z_{1}^2")
    assert figures.surface_figure(_surface(labels=odd)).startswith(b"<?xml")
    assert figures.level_figure(_levels(labels=("$x^2$", "日"))).startswith(b"<?xml")


def test_a_series_without_a_name_has_no_key():
    alone = Series("", np.array([0.4, 0.6, 0.8]), np.full((3, 2), np.nan), np.empty((0, 2)))
    named = figures.level_figure(_levels(series=(alone,)))
    assert b"legend" not in named
    assert b"legend" in figures.level_figure(_levels())


def test_the_ticks_of_a_limit_point_to_the_side_that_misses_it():
    """On a plane that rises to the right, the ticks of a lower limit end left of its line and those of an upper one right."""
    plane = np.tile(np.linspace(20, 30, 31), (31, 1))
    ends = {}
    for at_least in (True, False):
        view = _surface(plane, limits=(Limit(25.0, at_least, "limit"),), prints=np.empty((0, 2)), setting=None)
        without = _surface(plane, limits=(), prints=np.empty((0, 2)), setting=None)
        new = set(re.findall(r'd="(M[^"]*)"', figures.surface_figure(view).decode())) - set(
            re.findall(r'd="(M[^"]*)"', figures.surface_figure(without).decode())
        )
        ticks = [path for path in new if path.count("M") > 10]
        steps = [(float(b) - float(a)) for path in ticks for a, b in re.findall(r"M ([\d.]+) [\d.]+ \n?L ([\d.]+) ", path)]
        ends[at_least] = np.median([step for step in steps if abs(step) > 1])
    assert ends[True] < 0 < ends[False]
