"""Verdicts on a recommendation: what the data cannot support, with its cause, then the next step."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from doe.model.inference import FEW_LOAD_DOF
from doe.model.measured import Fitted
from doe.recommend import conflict, next_step, window
from doe.recommend.bounds import Chosen
from doe.recommend.confirm import LOADS
from doe.recommend.conflict import Alone
from doe.recommend.results import MEASURED_LEVEL, Conformance, Promise, Setting, predicted, predicted_bound
from doe.recommend.search import Axis, Edge
from doe.recommend.window import Reach, Window
from doe.study.names import listed, spoken
from doe.study.shares import level, percent
from doe.study.spec import Study
from doe.verdicts import Verdict

_HALF = 0.5


@dataclass(frozen=True)
class Case:
    """A setting that was recommended by requirements, with what is known of it."""

    share: Conformance
    fitted: Sequence[Fitted]
    chosen: Chosen
    window: Window
    promises: Sequence[Promise]


def of_conformance(case: Case) -> Iterator[Verdict]:
    """Yield at most one verdict: the estimate is far too low, too low, not borne out by the bound, or it is whatever is set."""
    share = case.share
    if share.estimate < share.required:
        yield _too_low(case)
    elif share.lower < share.required:
        yield Verdict(
            f"{next_step.NOT_SHOWN} with {amount(case.fitted)}",
            f"{_figures(share)}; {_limits(share)}; {_error_dof(case.fitted)}; {_elsewhere(case.window)}; so there is no process"
            " window yet", _to_show(case),
        )
    elif blind := [one.data.response.name for one in case.fitted if _predicts_nothing(one)]:
        yield _met_anyway(case, blind)


def _predicts_nothing(one: Fitted) -> bool:
    return any(verdict.name == next_step.PREDICTS_NOTHING for verdict in one.result.verdicts)


def _met_anyway(case: Case, blind: Sequence[str]) -> Verdict:
    """Return that the setting is good enough though a model tells no setting from another: then none needs to be chosen by it."""
    names, around = listed([spoken(name) for name in blind]), case.window
    anywhere = "within these ranges the requirements hardly depend on the setting: " if around.bound_share >= _HALF else ""
    return Verdict(
        next_step.MET_ANYWAY,
        f"{_figures(case.share)}; the fit of {names} does not tell which setting is better, and for the requirements it need not:"
        f" the bound reaches what the study asks for at {percent(around.bound_share)} of {around.looked_at} other settings looked"
        " at as well",
        f"{anywhere}keep the recommended one, and let prints on new drying loads bear it out",
        ", ".join(blind),
    )


def _figures(share: Conformance) -> str:
    return (
        f"the estimate is {predicted(share.estimate)}, the bound {predicted_bound(share.lower)}, and the study asks for "
        f"{level(share.required)}"
    )


def _limits(share: Conformance) -> str:
    weakest = _weakest(share)
    alone = f": alone it is met by {predicted(share.by_response[weakest])}" if len(share.by_response) > 1 else ""
    return f"{spoken(weakest)} limits it{alone}"


def _too_low(case: Case) -> Verdict:
    """Return which requirements stand in the way of the best setting, the best that could be had, and what to do."""
    share, rows = case.share, conflict.alone(case.chosen)
    name = next_step.NO_SETTING if share.estimate < _HALF else next_step.ESTIMATE_TOO_LOW
    figures = f"at the best setting found {_figures(share)}: no process window even by the estimate"
    barred = [one for one in rows if one.best < share.required]
    if barred or len(rows) == 1:
        about = [spoken(one.response) for one in barred]
        return Verdict(
            name, f"{figures}; " + "; ".join(_out_of_reach(case, one) for one in barred),
            f"look for a region, a material or a requirement on {listed(about)} that fits: more prints within these ranges"
            " will not help" if name == next_step.NO_SETTING
            else f"find what else moves {listed(about)}, or ask whether its requirement is needed, before printing more at this"
            " setting",
        )
    one, other = rows[:2]
    pair = f"{spoken(one.response)} and {spoken(other.response)}"
    return Verdict(
        name, f"{figures}; {pair} stand in each other's way: {_pulled(case.chosen, one, other)}",
        f"ask which of the requirements on {pair} may give way, or look for a material or a factor that moves only one of them:"
        " more prints within these ranges will not help",
    )


def _out_of_reach(case: Case, one: Alone) -> str:
    """Say by how many prints a requirement is met at its best, and what its mean is at the recommended setting."""
    promise = next(each for each in case.promises if each.response == one.response)
    alone = f": alone it is met by {predicted(one.best)} at the most" if len(case.promises) > 1 else ""
    return (
        f"{spoken(one.response)} limits it{alone}; its predicted mean there is {promise.mean:.4g} {promise.unit}".rstrip()
        + f", and asked for is {promise.requirement}"
    )


def _pulled(chosen: Chosen, one: Alone, other: Alone) -> str:
    axis = chosen.area.axes[conflict.pulled_factor(chosen, one, other)]
    place = chosen.area.axes.index(axis)
    parts = [
        f"{spoken(each.response)} would be met by {predicted(each.best)} at {_at(axis, int(each.places[place]))}, and is by"
        f" {predicted(each.here)} at the recommended {_at(axis, int(chosen.best[place]))}"
        for each in (one, other)
    ]
    return f"they pull {spoken(axis.factor.name)} apart; {', and '.join(parts)}"


def _at(axis: Axis, place: int) -> str:
    value = axis.value(place)
    return value if isinstance(value, str) else f"{value:g} {axis.factor.display_unit}".rstrip()


def _elsewhere(found: Window) -> str:
    if found.best_bound < found.required:
        return f"nor does the bound reach it at any of {found.looked_at} other settings"
    return (
        f"the bound does reach it at some other settings ({percent(found.bound_share)} of {found.looked_at} looked at), which"
        " are expected to be less good"
    )


def _to_show(case: Case) -> str:
    """Say how many loads of the recommended setting are expected to show it."""
    unit = "new drying loads, one print each" if _loads(case.fitted) else "new prints"
    required = level(case.window.required)
    enough = [one.loads for one in case.window.after if one.bound >= case.window.required]
    if not enough:
        most = max((one.loads for one in case.window.after), default=20)
        return (
            f"a confirmation tells whether the setting is as good as estimated, but even {most} {unit}, are not expected to show"
            f" {required}: that takes a setting or a material with more room, or a lower share asked for"
        )
    loads = max(enough[0], LOADS)
    given = f" (doe confirm --loads {loads})" if loads > LOADS else ""
    return (
        f"print the recommended setting on {loads} {unit}{given}: if it is as good as estimated, that many are expected to show"
        f" {required} in half of such studies or more"
    )


def of_window(case: Case) -> Iterator[Verdict]:
    """Yield at most one verdict: factors whose window is narrower than their setpoint error to either side."""
    narrow = [one for one in case.window.reaches if window.is_narrow(one)]
    if narrow:
        these, them = ("this factor", "it") if len(narrow) == 1 else ("these factors", "them")
        yield Verdict(
            window.NARROW,
            "less than twice the setpoint error: with the other factors anywhere in their windows the bound is high enough for "
            + listed([_narrow(case.chosen, one) for one in narrow]),
            f"hold {these} more closely and check {them} with a reference probe before each batch; or print more loads, since"
            " few loads make the bound low, and so the window narrow",
            ", ".join(one.factor for one in narrow),
        )


def _narrow(chosen: Chosen, one: Reach) -> str:
    factor = next(axis.factor for axis in chosen.area.axes if axis.factor.name == one.factor)
    unit = f" {one.unit}".rstrip()
    span = f"only {one.low:g}{unit}" if one.low == one.high else f"{one.low:g} to {one.high:g}{unit}"
    steps = f", set in steps of {factor.increment:g}{unit}" if (factor.increment or 0.0) > (one.scale or 0.0) else ""
    return f"{span} of {spoken(one.factor)} (setpoint error {one.scale:g}{unit}, one standard deviation{steps})"


def of_edges(
    found: Sequence[Edge], settings: Sequence[Setting], what: str = "conformance", *, shown: bool = False
) -> Iterator[Verdict]:
    """
    Yield one verdict for each reason why the region ends at the setting, with every factor that it does so for.

    None where half of what was tried of a factor, or more, is near-optimal: so flat, it hides no better value beyond.

    Parameters
    ----------
    found : sequence of Edge
    settings : sequence of Setting
    what : str
        What the setting was chosen by.
    shown : bool
        Whether the setting is shown to be good enough as it is.
    """
    by_factor = {one.factor: one for one in settings}
    for reason, (cause, step) in _EDGES.items():
        edges = [one for one in found if one.reason == reason and not _flat(one.axis, by_factor[one.axis.factor.name])]
        if not edges:
            continue
        sides = listed([part for side in _MORE if (part := _sides(edges, side))])
        where = ", and ".join(_where(one, by_factor[one.axis.factor.name]) for one in edges)
        yield Verdict(
            next_step.ON_THE_EDGE,
            f"{where}: {cause.format(what=what, **_NUMBER[len(edges) > 1])}",
            f"confirm it as it is, which is good enough by the measured responses; print {sides} in a next round only where more"
            " room is wanted"
            if shown else step.format(sides=sides), ", ".join(one.axis.factor.name for one in edges),
        )


_NUMBER = ({"s": "", "was": "was", "lies": "lies"}, {"s": "s", "was": "were", "lies": "lie"})
_MORE = {"low": "lower", "high": "higher"}
_EDGES = {
    "end of the range": (
        "the last value{s} that {was} printed and that the printers allow",
        "print {sides} in a next round if the material and the printers allow them: the best may lie beyond",
    ),
    "constraint": (
        "{what} would still rise, and a constraint of the study cuts it off",
        "ask whether the constraint must be so tight: the best may lie on its other side, at {sides}",
    ),
    "prints": (
        "{what} would still rise, and the next value{s} {lies} outside of what the prints cover together with the other factors",
        "print around this setting, at {sides}, in a next round: the model has not seen what lies beyond",
    ),
}


def _sides(edges: Sequence[Edge], side: str) -> str:
    names = [spoken(one.axis.factor.name) for one in edges if one.side == side]
    return f"{_MORE[side]} values of {listed(names)}" if names else ""


def _where(edge: Edge, setting: Setting) -> str:
    factor = edge.axis.factor
    return f"{spoken(factor.name)} at {setting.value:g} {factor.display_unit}".rstrip() + f", on its {edge.side} side"


def _flat(axis: Axis, setting: Setting) -> bool:
    """Whether a factor matters so little that half of what was tried of it, or more, is near-optimal."""
    low, high = (float(end) for end in setting.interval)
    return high - low >= _HALF * float(np.ptp(axis.natural))


def decisive(verdicts: Sequence[Verdict], share: Conformance | None) -> tuple[Verdict, ...]:
    """
    Return what the next step follows from.

    Where a setting is shown to be good enough, neither that it is on the edge nor that a model tells no setting from another:
    both are reasons to look for a better one, and none is needed.
    """
    shown = share is not None and share.lower >= share.required
    passed_over = (next_step.ON_THE_EDGE, next_step.PREDICTS_NOTHING) if shown else ()
    return tuple(one for one in verdicts if one.name not in passed_over)


def of_level(study: Study, share: Conformance) -> Iterator[Verdict]:
    """Yield what the bound's level falls short of: measured coverage, not the study's wish, decides it."""
    if share.level < MEASURED_LEVEL and share.estimate >= share.required:
        weakest = _weakest(share)
        which = (
            f"nearly all failures are those of {spoken(weakest)}"
            if len(share.by_response) > 1 else f"{spoken(weakest)} is the only requirement"
        )
        yield Verdict(
            "one response decides", f"{which}: in simulated studies of this kind the bound "
            "held in 90 to 95 of 100, and the estimate was too high by 0.04 to 0.08 on average",
            "judge the setting by the bound and by prints on new loads, not by the estimate", weakest,
        )
    elif share.level >= MEASURED_LEVEL and study.header.confidence > MEASURED_LEVEL:
        yield Verdict(
            "bound at 95 %", f"the study asks for {level(study.header.confidence)}, and the bound's coverage was measured "
            "for 95 % only", "read the bound as a 95 % one; the intervals of the responses have the study's level",
        )


def of_data(study: Study, fitted: Sequence[Fitted]) -> Iterator[Verdict]:
    """Yield what limits the bound whatever the setting: loads, lack of fit, responses without a model."""
    dof = _least_load_dof(fitted)
    if dof is not None and dof <= FEW_LOAD_DOF:
        yield Verdict(
            "prior-dependent bound", f"{amount(fitted)} leave {dof} error degrees of freedom for the load variance, so the "
            "bound rests on the prior as much as on the data", "add loads before reading anything into the bound",
        )
    yield from of_fits(study, fitted, "the choice of the setting or its conformance")


def of_fits(study: Study, fitted: Sequence[Fitted], not_entered: str) -> Iterator[Verdict]:
    """Yield that loads are not recorded, what the fits themselves doubt, and what did not enter: ``not_entered`` in words."""
    if _least_load_dof(fitted) is None:
        yield Verdict(
            "loads not recorded", "the plan does not say which prints share a drying load",
            "read every figure as holding for the load that was used, and record loads in a next round",
        )
    for one in fitted:
        yield from (verdict for verdict in one.result.verdicts if verdict.name in next_step.OF_THE_FIT)
    left_out = [response.name for response in study.responses if response.kind != "measured"]
    if left_out:
        yield Verdict(
            "responses that did not choose the setting",
            f"{listed([spoken(name) for name in left_out])} did not enter {not_entered}",
            "look at their summaries for settings like the recommended one, and grade the confirmation prints",
        )


def _weakest(share: Conformance) -> str:
    return min(share.by_response, key=lambda name: share.by_response[name])


def _loads(fitted: Sequence[Fitted]) -> int:
    return max(one.data.loads for one in fitted)


def amount(fitted: Sequence[Fitted]) -> str:
    """Return what the study has of the unit that counts: ``6 loads``, or ``30 prints`` where none are recorded."""
    loads = _loads(fitted)
    return f"{loads} loads" if loads else f"{max(len(one.data.names) for one in fitted)} prints"


def _least_load_dof(fitted: Sequence[Fitted]) -> int | None:
    known = [one.load_dof for one in fitted if one.load_dof is not None]
    return min(known) if known else None


def _error_dof(fitted: Sequence[Fitted]) -> str:
    load_dof = _least_load_dof(fitted)
    if load_dof is None:
        return f"{min(one.print_dof for one in fitted)} error degrees of freedom judge the prints"
    return f"{load_dof} error degrees of freedom judge the load variance"
