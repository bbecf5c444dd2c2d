"""Verdicts on a recommendation: what the data cannot support, with its cause and the next step."""

from collections.abc import Iterator, Sequence

from doe.model.measured import Fitted
from doe.recommend import next_step
from doe.recommend.results import Conformance, Setting
from doe.recommend.search import Axis, Edge
from doe.study.shares import level, percent, percent_bound
from doe.study.spec import Study
from doe.verdicts import Verdict

_HALF = 0.5
_PRIOR_DRIVEN_DOF = 2
_MEASURED_LEVEL = 0.95


def of_conformance(share: Conformance, fitted: Sequence[Fitted]) -> Iterator[Verdict]:
    """Yield at most one verdict: the estimate is far too low, too low, or not borne out by the bound."""
    figures = (
        f"the estimate is {percent(share.estimate)}, the bound {percent_bound(share.lower)}, and the study asks for "
        f"{level(share.required)}"
    )
    weakest = _weakest(share)
    limiting = f"; {weakest} alone reaches {percent(share.by_response[weakest])}"
    if share.estimate < _HALF:
        yield Verdict(
            next_step.NO_SETTING, f"at the best setting found {figures}{limiting}",
            f"look for a region, a material or a requirement on {weakest} that fits: more prints here will not help",
        )
    elif share.estimate < share.required:
        yield Verdict(
            next_step.ESTIMATE_TOO_LOW, f"{figures}{limiting}",
            f"find what else moves {weakest}, or ask whether its requirement is needed, before printing more at this setting",
        )
    elif share.lower < share.required:
        yield Verdict(
            f"{next_step.NOT_SHOWN} with {amount(fitted)}", f"{figures}; {_error_dof(fitted)}",
            "print the recommended setting on at least six new drying loads, one print each: new loads tell more than prints"
            if _loads(fitted) else "print the recommended setting again, at least six times, to confirm it",
        )


def of_edges(found: Sequence[Edge], settings: Sequence[Setting], what: str = "conformance") -> Iterator[Verdict]:
    """Yield one verdict a factor whose setting is where the region ends; none where every setting is as good."""
    by_factor = {one.factor: one for one in settings}
    for edge in found:
        setting, factor = by_factor[edge.axis.factor.name], edge.axis.factor
        if setting.interval != _whole(edge.axis):
            cause, step = _EDGES[edge.reason]
            yield Verdict(
                next_step.ON_THE_EDGE,
                f"at {setting.value:g} {factor.display_unit}, on its {edge.side} side, {cause.format(what=what)}",
                step.format(side="lower" if edge.side == "low" else "higher"), factor.name,
            )


_EDGES = {
    "end of the range": (
        "it is at the last value that was printed and that the printers allow",
        "print {side} values in a next round if the material and the printers allow them: the best may lie beyond",
    ),
    "constraint": (
        "{what} would still rise, and a constraint of the study cuts it off",
        "ask whether the constraint must be so tight: the best may lie on its other side, at {side} values",
    ),
    "prints": (
        "{what} would still rise, and the next value is outside of what the prints cover together with the other factors",
        "print around this setting, at {side} values, in a next round: the model has not seen what lies beyond",
    ),
}


def _whole(axis: Axis) -> tuple[float, float]:
    return float(axis.natural[0]), float(axis.natural[-1])


def of_level(study: Study, share: Conformance) -> Iterator[Verdict]:
    """Yield what the bound's level falls short of: measured coverage, not the study's wish, decides it."""
    if share.level < _MEASURED_LEVEL:
        weakest = _weakest(share)
        yield Verdict(
            "one response decides", f"nearly all failures are those of {weakest}: in simulated studies of this kind the bound "
            "held in 90 to 95 of 100, and the estimate was too high by 0.04 to 0.08 on average",
            "judge the setting by the bound and by prints on new loads, not by the estimate", weakest,
        )
    elif study.header.confidence > _MEASURED_LEVEL:
        yield Verdict(
            "bound at 95 %", f"the study asks for {level(study.header.confidence)}, and the bound's coverage was measured "
            "for 95 % only", "read the bound as a 95 % one; the intervals of the responses have the study's level",
        )


def of_data(study: Study, fitted: Sequence[Fitted]) -> Iterator[Verdict]:
    """Yield what limits the bound whatever the setting: loads, lack of fit, responses without a model."""
    dof = _least_load_dof(fitted)
    if dof is None:
        yield Verdict(
            "loads not recorded", "the plan does not say which prints share a drying load",
            "read every figure as holding for the load that was used, and record loads in a next round",
        )
    elif dof <= _PRIOR_DRIVEN_DOF:
        yield Verdict(
            "prior-dependent bound", f"{amount(fitted)} leave {dof} error degrees of freedom for the load variance, so the "
            "bound rests on the prior as much as on the data", "add loads before reading anything into the bound",
        )
    for one in fitted:
        yield from (verdict for verdict in one.result.verdicts if verdict.name in next_step.OF_THE_FIT)
    left_out = [response.name for response in study.responses if response.kind != "measured"]
    if left_out:
        yield Verdict(
            "responses that did not choose the setting",
            f"{', '.join(left_out)} did not enter the choice of the setting or its conformance",
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
