"""
The process window: settings about the recommended one at which the bound of the conformance stays above what is asked.

The bound at every setting is the posterior quantile that bounds the conformance at the recommended setting (one level for
the whole map). It is pointwise: each setting by itself. The window is a box, so that every factor may be anywhere in its
interval whatever the others do within theirs. What calibration may be off by is in the draws, and so is the scatter about
a setpoint: the window is one of setpoints, and is not made smaller for either again.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.numerics.conformance import bound_coverage
from doe.recommend.bounds import Chosen, estimates_and_bounds, over_region
from doe.recommend.loads_to_show import Shown, loads_to_show
from doe.recommend.widest import END, Checked, ended_by, scale_of, widest_places

NARROW = "window narrower than the setpoint error"

_MOST = 400


@dataclass(frozen=True)
class Reach:
    """
    The interval of one factor.

    Parameters
    ----------
    factor, unit : str
    recommended : float or str
    low, high : float or None
        Natural units, on the factor's increments; None for named levels.
    levels : tuple of str
        Of a categorical factor.
    tried : tuple of two float, or of str
        The whole interval (or the levels) that could have been in the window.
    scale : float or None
        What ``half_width`` and ``nearer`` are counted in, the factor's unit: the setpoint error (one standard deviation), or
        one increment where none is declared.
    has_error : bool
        Whether ``scale`` is a declared setpoint error.
    half_width : float or None
        Half of the interval, in units of ``scale``.
    nearer : float or None
        Distance of the recommended value from the nearer end that is not the end of what was tried, in units of ``scale``;
        None where there is no such end.
    critical : bool
        False where all that was tried is in the window.
    ends : tuple of two str
        What ends it below and above: ``bound``, ``constraint``, ``prints``, ``end of what was tried``, ``not tried further``;
        empty strings for named levels.
    """

    factor: str
    unit: str
    recommended: float | str
    low: float | None
    high: float | None
    levels: tuple[str, ...]
    tried: tuple[float, float] | tuple[str, ...]
    scale: float | None
    has_error: bool
    half_width: float | None
    nearer: float | None
    critical: bool
    ends: tuple[str, str]


@dataclass(frozen=True)
class Window:
    """
    The process window, or why there is none.

    Parameters
    ----------
    required : float
    quantile, level : float
        Posterior quantile, and the one-sided level of the bound that it is.
    reaches : tuple of Reach
        One a factor; empty where there is no window.
    reason : str
        Why there is none: ``bound`` or ``estimate`` (which of the two is below ``required`` at the recommended setting); empty
        where there is a window.
    narrowest : str
        Critical numeric factor with the smallest half-width; empty where there is none.
    estimate, lower : float
        At the recommended setting.
    by_response : dict of str to float
        Estimate per response alone at the recommended setting.
    bound_share, estimate_share : float
        Share of the settings that may be recommended whose bound, and whose estimate, reach ``required``.
    best_bound, best_estimate : float
        Highest among the settings looked at for these shares, and the recommended one.
    looked_at : int
        How many settings these come from.
    settings, checked : int
        Settings of the increments in the window, and how many of them were evaluated; all of those passed.
    complete : bool
        Whether all were.
    after : tuple of Shown
        Where the bound alone is too low: what it is expected to be after some more single-print loads of the recommended
        setting; empty otherwise.
    """

    required: float
    quantile: float
    level: float
    reaches: tuple[Reach, ...]
    reason: str
    narrowest: str
    estimate: float
    lower: float
    by_response: dict[str, float]
    bound_share: float
    estimate_share: float
    best_bound: float
    best_estimate: float
    looked_at: int
    settings: int
    checked: int
    complete: bool
    after: tuple[Shown, ...] = ()


def find_window(chosen: Chosen, most: int = _MOST) -> Window:
    """
    Find the widest window about the recommended setting, half-widths counted in setpoint errors.

    The lines through the setting, factor by factor, bracket the window. In the bracket the widest box of a coarser grid is
    found (every increment where there are few), its sides are moved out increment by increment, and then the increments in it
    are evaluated, all of them or as many as ``most`` allows: some of the settings with a factor at an end of its interval.
    Where one fails, the box is cut.

    Time is in ``tests/benchmarks/recommendation_times.py``. In 67 windows of simulated studies (30 prints on 6
    loads, 40 on 8), 50 of which were not evaluated whole, 400 settings drawn from each all passed, and none was truly below
    what is asked.

    Parameters
    ----------
    chosen : Chosen
    most : int
        Settings that may be evaluated with all draws. More make it likelier that all of the window is.

    Returns
    -------
    Window
        Every setting that was evaluated in it passes. From seven factors on some factors may be left at the recommended value.
    """
    estimate, lower = (float(one[0]) for one in estimates_and_bounds(chosen, chosen.best[None]))
    over = over_region(chosen, (estimate, lower))
    alone = {name: float(np.median(one)) for name, one in chosen.view.by_response(chosen.coded).items()}
    reason = "estimate" if estimate < chosen.required else "bound" if lower < chosen.required else ""
    checked = Checked(chosen, most)
    places = [(int(place),) for place in chosen.best] if reason else widest_places(chosen, checked)
    reaches = () if reason else tuple(_reach(chosen, checked, places, place) for place in range(len(places)))
    settings = 0 if reason else int(np.prod([float(len(one)) for one in places]))
    inside = 0 if reason else checked.inside(places)
    narrow = min((one for one in reaches if one.critical and one.half_width is not None), key=_half_width, default=None)
    return Window(
        required=chosen.required, quantile=chosen.quantile, level=bound_coverage(chosen.quantile), reaches=reaches,
        reason=reason, narrowest="" if narrow is None else narrow.factor, estimate=estimate, lower=lower, by_response=alone,
        bound_share=over.bound_share, estimate_share=over.estimate_share, best_bound=over.best_bound,
        best_estimate=over.best_estimate, looked_at=over.looked_at, settings=settings, checked=inside,
        complete=not reason and inside == settings, after=loads_to_show(chosen) if reason == "bound" else (),
    )  # fmt: skip


def _half_width(one: Reach) -> float:
    return one.half_width or 0.0


def _reach(chosen: Chosen, checked: Checked, places: Sequence[tuple[int, ...]], i: int) -> Reach:
    axis, own = chosen.area.axes[i], places[i]
    factor, unit, here = axis.factor, scale_of(axis), int(chosen.best[i])
    if factor.levels is not None:
        levels, every = (tuple(str(axis.value(place)) for place in of) for of in (own, range(len(axis.natural))))
        whole = len(levels) == len(every)
        return Reach(
            factor.name, "", str(axis.value(here)), None, None, levels, every, None, False, None, None, not whole, ("", ""),
        )  # fmt: skip
    assert unit is not None
    low, high, value = (float(axis.natural[place]) for place in (own[0], own[-1], here))
    ends = (ended_by(checked, places, i, own[0] - 1), ended_by(checked, places, i, own[-1] + 1))
    distances = [abs(value - end) / unit for end, by in zip((low, high), ends, strict=True) if by != END]
    return Reach(
        factor=factor.name, unit=factor.display_unit, recommended=value, low=low, high=high, levels=(),
        tried=(float(axis.natural[0]), float(axis.natural[-1])), scale=unit, has_error=factor.setpoint_sd > 0,
        half_width=(high - low) / 2 / unit, nearer=min(distances, default=None), critical=ends != (END, END), ends=ends,
    )  # fmt: skip


def is_narrow(one: Reach) -> bool:
    """Whether a factor's interval is narrower than its setpoint error to either side."""
    return one.has_error and one.critical and one.half_width is not None and one.half_width < 1
