"""The recommended setting: where conformance is highest within what was tried."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design import calibrated
from doe.design.calibrated import Lines
from doe.design.extend import left_of_budget
from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.model.measured import Fitted
from doe.model.results import Fit
from doe.recommend import (
    alternatives,
    beside,
    desirable,
    findings,
    location,
    outlook,
    printers,
    promise,
    search,
    window,
)
from doe.recommend.bounds import Chosen
from doe.recommend.desirable import Wishes
from doe.recommend.next_step import next_step
from doe.recommend.outlook import Outlook
from doe.recommend.printers import FleetSettings
from doe.recommend.results import Recommendation, Setting
from doe.recommend.search import Axis, Region
from doe.recommend.share import conformance, printers_that_printed, with_tolerance
from doe.record.match import Record
from doe.study import nonlinear_scales
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

_NEAR = 0.02


@dataclass(frozen=True)
class _Choice:
    """The chosen setting with the region and the outlook that it was chosen by."""

    area: Region
    view: Outlook | Wishes
    best: NDArray[np.int64]

    @property
    def coded(self) -> Array:
        """The setting, coded units, shape (1, k)."""
        return self.area.coded(self.best[None])


def recommend_settings(
    study: Study, design: Design, fit: Fit, fitted: Sequence[Fitted], number: int, record: Record | None = None
) -> Recommendation:
    """
    Recommend the setting whose conformance is highest, averaged over the posterior and the printers; by aims, the most desirable.

    Settings lie on the factors' increments, within their ranges, the printers' limits and the constraints, and inside
    what was printed. Near-optimal settings of a factor, the others held, are those next to the recommended one that lose
    at most 0.02 of its conformance in half of the posterior draws or more.

    Parameters
    ----------
    study : Study
    design : Design
    fit : Fit
    fitted : sequence of Fitted
        The same responses with their arrays.
    number : int
        Of the recommendation.
    record : Record, optional
        For later readings of the printers, completion and the judged responses at the setting; without it they are left out.

    Returns
    -------
    Recommendation

    Raises
    ------
    InputRefused
        No measured response with a requirement; a response without a fit, without error degrees of freedom, or without
        a load error degree of freedom although it has loads; limits and constraints that leave no setting.
    """
    problems = [*_not_judged(study, fitted)]
    if problems:
        raise InputRefused(problems)
    judged = [one for one in fitted if _chooses(one.data.response)]
    lines = calibrated.lines_of(study, None if record is None else record.checks)
    choice = _choose(study, design, judged, lines)
    settings = tuple(_setting(choice, place) for place in range(len(study.factors)))
    values = {one.factor: one.value for one in settings}
    cards, beyond = printers.printer_rows(study, choice.view.printers, values, lines)
    fleet = printers.fleet_settings(study, choice.view.printers, values, lines) if lines else None
    common = Recommendation(
        study=study.header.id, number=number, exploratory=fit.exploratory, simulated=fit.simulated, settings=settings,
        responses=tuple(promise.promise(one, choice.coded, study.header.confidence) for one in fitted), conformance=None,
        printers=cards, not_modelled=tuple(one.name for one in study.responses if one.kind != "measured"), verdicts=(), next="",
        beside=() if record is None else beside.beside(study, design, record, choice.coded),
        fleet=None if fleet is None else asdict(fleet), inputs=dict(fit.inputs),
        locations=location.locations(study, choice.area, judged, choice.view.drawn, choice.coded),
    )
    view = choice.view
    if isinstance(view, Wishes):
        whole, said = _by_aims(study, choice, view, judged, common)
    else:
        whole, said = _by_requirements(study, choice, view, judged, (common, fleet))
    verdicts = (*said, *beyond, *nonlinear_scales.verdicts(study))
    decisive = findings.decisive(verdicts, whole.conformance)
    return replace(whole, verdicts=verdicts, next=next_step(decisive, left_of_budget(study, design)))


def chosen_setting(
    study: Study, design: Design, fitted: Sequence[Fitted], found: Recommendation, record: Record
) -> Chosen | None:
    """
    Return what a recommendation was chosen from and by, for the maps around it; no search is made.

    Parameters
    ----------
    study : Study
    design : Design
    fitted : sequence of Fitted
    found : Recommendation
        Made from these.
    record : Record

    Returns
    -------
    Chosen or None
        None where the setting was not chosen by requirements.
    """
    if found.window is None:
        return None
    judged = [one for one in fitted if _chooses(one.data.response)]
    printed, views = printers_that_printed(design), [one.data for one in judged]
    lines = calibrated.lines_of(study, record.checks)
    area = search.region(study, views, printed, lines)
    view = outlook.outlook(study, views, printed, lines)
    best = [
        [axis.value(place) for place in range(len(axis.natural))].index(one.value)
        for axis, one in zip(area.axes, found.settings, strict=True)
    ]
    return Chosen(area, view, np.array(best), found.window.required, found.window.quantile)


def _by_requirements(
    study: Study, choice: "_Choice", view: Outlook, judged: Sequence[Fitted], so_far: tuple[Recommendation, FleetSettings | None]
) -> tuple[Recommendation, tuple[Verdict, ...]]:
    """Add what only requirements give: conformance, tolerance limits from its draws, smaller models, verdicts."""
    common, fleet = so_far
    share, quantile = conformance(study, view, choice.coded, common.printers, fleet)
    ends = search.edges(choice.area, choice.best, view.score)
    smaller = {one.data.response.name: one.result.choice for one in judged if one.result.choice is not None}
    others = alternatives.alternatives(study, (choice.area, view, choice.best), judged, smaller, common.settings)
    chosen = Chosen(choice.area, view, choice.best, study.header.conformance, quantile)
    around = window.find_window(chosen)
    case = findings.Case(share, judged, chosen, around, common.responses)
    verdicts = (
        *findings.of_conformance(case), *findings.of_edges(ends, common.settings, shown=share.lower >= share.required),
        *findings.of_level(study, share), *findings.of_window(case), *findings.of_data(study, judged),
        *(alternatives.verdicts(others) if others is not None else ()),
    )
    made = tuple(with_tolerance(study, view, choice.coded, quantile, common.responses))
    return replace(common, conformance=share, responses=made, window=around, alternatives=others), verdicts


def _by_aims(
    study: Study, choice: "_Choice", view: Wishes, judged: Sequence[Fitted], common: Recommendation
) -> tuple[Recommendation, tuple[Verdict, ...]]:
    """Add what only aims give: how desirable the setting is; no conformance, and no smaller models, which compare it."""
    found = desirable.desirable(view, choice.coded, study.header.confidence)
    ends = search.edges(choice.area, choice.best, view.score)
    verdicts = (
        *desirable.verdicts(found), *findings.of_fits(study, judged, "the choice of the setting"),
        *findings.of_edges(ends, common.settings, "the overall desirability"),
    )
    return replace(common, desirable=found), verdicts


def _chooses(response: Response) -> bool:
    """Whether a response has a say in the setting: a requirement, or an aim."""
    return response.at_least is not None or response.at_most is not None or response.aim is not None


def _not_judged(study: Study, fitted: Sequence[Fitted]) -> Iterator[Problem]:
    """Yield every reason why no setting can be recommended."""
    if not any(one.kind == "measured" and _chooses(one) for one in study.responses):
        yield Problem(
            "study.toml, responses", "nothing is modelled: no measured response has a requirement or an aim",
            "a setting is chosen by the measured responses", "declare one, or read the summaries of the others",
        )
    by_name = {one.data.response.name: one for one in fitted}
    for response in study.responses:
        if response.kind == "measured":
            yield from _not_fitted(f"response {response.name}", by_name.get(response.name))


def _not_fitted(where: str, one: Fitted | None) -> Iterator[Problem]:
    if one is None:
        yield Problem(
            where, "it has no fit", "a setting is recommended when every measured response is fitted",
            "see the verdicts of 'doe fit', and record what is missing",
        )
    elif one.print_dof < 1:
        yield Problem(
            where, f"its {len(one.data.names)} prints leave no error degree of freedom",
            "at least one is needed to judge precision", "add prints in a next round, or declare a smaller model",
        )
    elif one.mixed is None:
        yield Problem(
            where, "its values do not vary beyond the model", "precision is judged by variation", "check the recorded values",
        )
    elif one.load_dof is not None and one.load_dof < 1:
        yield Problem(
            where, f"its {one.data.loads} loads leave no error degree of freedom",
            "at least one is needed to judge what a new load may do", "print more loads at the same levels of the load factors",
        )


def _choose(study: Study, design: Design, judged: Sequence[Fitted], lines: Lines) -> _Choice:
    views = [one.data for one in judged]
    printed = printers_that_printed(design)
    area = search.region(study, views, printed, lines)
    aims = desirable.has_aims(study)
    view = desirable.wishes(judged, printed) if aims else outlook.outlook(study, views, printed, lines)
    best = search.best_setting(area, view.score, outlook.generator())
    if best is None:
        raise InputRefused(
            Problem(
                "study.toml", "no setting on the increments is inside what was printed, the printers' limits and the constraints",
                "a recommendation needs at least one", "look at limits and constraints against the settings in plan.csv",
            )
        )
    return _Choice(area, view, best)


def _setting(choice: _Choice, place: int) -> Setting:
    """Return one factor's value, with the values beside it that are about as good."""
    axis = choice.area.axes[place]
    here = int(choice.best[place])
    return Setting(
        factor=axis.factor.name, unit=axis.factor.display_unit, value=axis.value(here),
        interval=_interval(axis, here, _near_optimal(choice, place)),
    )


def _near_optimal(choice: _Choice, place: int) -> NDArray[np.bool_]:
    """Return which values of one factor, the others held, are allowed and near-optimal, shape (n,)."""
    size = len(choice.area.axes[place].natural)
    line = np.tile(choice.best, (size, 1))
    line[:, place] = np.arange(size)
    loss = choice.view.shares(choice.coded) - choice.view.shares(choice.area.coded(line))
    near: NDArray[np.bool_] = ((loss <= _NEAR).mean(axis=1) >= 0.5) & choice.area.allows(line)
    near[choice.best[place]] = True
    return near


def _interval(axis: Axis, here: int, near: NDArray[np.bool_]) -> tuple[float, float] | tuple[str, ...]:
    """Return the near-optimal values as a range around the recommended one, or as levels."""
    if axis.factor.levels is not None:
        return tuple(axis.factor.levels[int(axis.natural[place])] for place in np.flatnonzero(near))
    low = high = here
    while low > 0 and near[low - 1]:
        low -= 1
    while high < len(near) - 1 and near[high + 1]:
        high += 1
    return float(axis.natural[low]), float(axis.natural[high])
