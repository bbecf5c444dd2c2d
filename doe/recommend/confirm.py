"""The plan of a confirmation: prints of the recommended setting, with everything that they will be judged by, frozen."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from doe.design import check, order, plan, setpoints
from doe.design.plan import CONFIRMATION, Design
from doe.errors import InputRefused, Problem
from doe.model.measured import Fitted
from doe.recommend import forecast, next_step
from doe.recommend.confirmation import Confirmation, Forecast, Print
from doe.recommend.counted import counted_before
from doe.recommend.declared_then import declared
from doe.recommend.desirable import has_aims
from doe.record.match import Record
from doe.study import scale
from doe.study.shares import percent_bound
from doe.study.spec import Study
from doe.verdicts import Verdict

LOADS = 6
"""Single-print loads of a confirmation where no number is asked for."""
_DOES_NOT_FIT = (next_step.LACK_OF_FIT, "curvature")
RESTS_ON_DOUBT = "the recommendation rests on values in doubt"
"""Verdict of a confirmation's plan, which its judgement repeats."""
_NOT_ENOUGH = (next_step.NO_SETTING, next_step.WORTHLESS, next_step.ESTIMATE_TOO_LOW)


@dataclass(frozen=True)
class ConfirmRequest:
    """What is asked of a confirmation, and what it starts from."""

    number: int
    advice: Mapping[str, Any]
    """The recommendation as its file holds it."""
    advice_digest: str
    inputs: Mapping[str, str]
    """SHA-256 of the files that stand there before the plan is added to."""
    seed: int
    loads: int | None = None
    override: str = ""
    completion_lower: float | None = None
    """Lower bound of the chance that a print completes at the setting; None where it has no model."""
    refuted: tuple[int, ...] = ()
    """Earlier confirmations that found this setting not confirmed."""


def plan_confirmation(
    study: Study, design: Design, record: Record, fitted: Sequence[Fitted], request: ConfirmRequest
) -> tuple[Design, Confirmation]:
    """
    Plan the prints of a confirmation, one on each of some new drying loads, and freeze what they will be judged by.

    Loads matter, not prints: what a new load may do is what the first prints told least about.

    Parameters
    ----------
    study : Study
    design : Design
        All rounds so far.
    record : Record
        What the recommendation rests on: without any confirmation.
    fitted : sequence of Fitted
        The declared fit that it rests on.
    request : ConfirmRequest

    Returns
    -------
    Design
        The earlier rows as they were, then the new round.
    Confirmation

    Raises
    ------
    InputRefused
        An exploratory recommendation; lack of fit, or an earlier confirmation that failed, without a reason to override it; a
        response without intervals.
    """
    advice = request.advice
    problems = [*_refusals(fitted, request)]
    if problems:
        raise InputRefused(problems)
    loads = LOADS if request.loads is None else request.loads
    new = _new_round(study, design, request, loads)
    prints = tuple(Print(row["print"], row["load"], row["printer"]) for row in new.to_dict("records"))
    coded = scale.coded(study, {name: [one["value"]] for name, one in advice["settings"].items()})
    level = forecast.level_of_each(study, fitted)
    forecasts = tuple(forecast.forecast(one, coded, prints, level) for one in fitted if one.inference is not None)
    proposed = forecast.proposed_loads(forecasts, request.completion_lower)
    made = Confirmation(
        study=study.header.id,
        number=request.number,
        recommendation=advice["number"],
        recommendation_digest=request.advice_digest,
        override=request.override,
        simulated=study.header.simulated,
        round=int(new["round"].iloc[0]),
        seed=request.seed,
        loads=loads,
        proposed=proposed,
        confidence=forecast.overall_level(study),
        settings={name: {"value": one["value"], "unit": one["unit"]} for name, one in advice["settings"].items()},
        prints=prints,
        forecasts=forecasts,
        before=tuple(counted_before(study, record)),
        completion_lower=request.completion_lower,
        aims=has_aims(study),
        rule=forecast.rule(study, fitted),
        verdicts=(*_verdicts(advice, request), *_unseen(forecasts, request, proposed, loads)),
        next="doe sheet",
        inputs=dict(request.inputs),
        conformance=study.header.conformance,
        declared=declared(study),
    )
    return replace(design, runs=plan.joined(design.runs, new)), made


def _refusals(fitted: Sequence[Fitted], request: ConfirmRequest) -> Iterator[Problem]:
    where = f"recommendation-{request.advice['number']}.json"
    if request.advice["exploratory"]:
        yield Problem(
            where,
            "it rests on an exploratory model",
            "a confirmation judges the declared model",
            "run 'doe fit' and 'doe recommend' without --terms",
        )
    for name, card in _cards(request.advice).items():
        for factor in (factor for factor, value in card.items() if value is None):
            yield Problem(
                where,
                f"printer {name} has no setpoint for {factor}: it lies beyond what was read on it",
                "prints of a confirmation are set as the cards say",
                f"read the probe on {name} there (sheet 'Printer checks'), collect, then fit and recommend again",
            )
    if not request.override:
        for verdict in (verdict for one in fitted for verdict in one.result.verdicts if verdict.name in _DOES_NOT_FIT):
            yield Problem(
                f"response {verdict.about}",
                f"{verdict.name}: {verdict.cause}",
                "a model that does not fit predicts nothing that prints could confirm",
                "add a round (doe extend), or give the reason why it does not matter here: --override REASON",
            )
        for number in request.refuted:
            yield Problem(
                f"judgement-{number}.json",
                "this setting was not confirmed",
                "a setting is not tried again until it passes by luck",
                "find the cause and a new setting, or give the reason for another trial: --override REASON",
            )
    for fit in fitted:
        if fit.inference is None and forecast.bad_side(fit.data.response):
            yield Problem(
                f"response {fit.data.response.name}",
                "the fit has no intervals",
                "prints are judged by prediction intervals",
                "add prints in a next round (doe extend)",
            )


def _new_round(study: Study, design: Design, request: ConfirmRequest, loads: int) -> pd.DataFrame:
    """Return the rows of the new round: one print a load, the recommendation's printers in turn."""
    names = [one.name for one in study.printers]
    used = [names.index(row["printer"]) for row in request.advice["printers"]]
    with_loads = bool((design.runs["load"] != "").any())
    generator = np.random.default_rng(request.seed)
    sequence, turn = order.run_order(np.full(loads, -1, dtype=np.int64), len(used), generator)
    printer = np.array([used[code] if code >= 0 else -1 for code in turn[sequence]], dtype=np.int64)
    targets = pd.DataFrame({name: [one["value"]] * loads for name, one in request.advice["settings"].items()})
    provenance = plan.next_round(design, CONFIRMATION, request.seed)
    load = np.arange(loads) if with_loads else np.full(loads, -1, dtype=np.int64)
    new = plan.assemble(study, targets, load, printer, ["recommended"] * loads, provenance)
    new["cell"] = check.cells_after(study, design.runs, new)
    for name, card in _cards(request.advice).items():  # later readings may have moved a printer's line since the plan
        for factor, value in card.items():
            new.loc[new["printer"] == name, f"set.{factor}"] = value
    setpoints.require_settable(study, new)
    return new


def _cards(advice: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return what the recommendation says to set on each printer."""
    return {row["printer"]: row["setpoints"] for row in advice["printers"]}


def _verdicts(advice: Mapping[str, Any], request: ConfirmRequest) -> Iterator[Verdict]:
    if request.override:
        yield Verdict(
            "planned in spite of a doubt",
            f"what stands against it was overridden: {request.override}",
            "the reason stands on page one of the report: be ready to defend it",
        )
    for one in advice["verdicts"]:
        if one["name"] in next_step.DOUBTS:
            yield Verdict(
                RESTS_ON_DOUBT,
                f"{one['name']}: {one['cause']}",
                "find out about the instrument before printing: tested with it, new prints would be in the same doubt",
                one["about"],
            )
        if one["name"] in _NOT_ENOUGH:
            yield Verdict(
                "the prediction itself is not enough",
                one["cause"],
                "prints that bear out this prediction will not make the setting good enough: look for a better one first",
            )


def _unseen(
    forecasts: Sequence[Forecast], request: ConfirmRequest, proposed: int | None, loads: int
) -> Iterator[Verdict]:
    """Yield that the prints are too few to show a change for the worse, all of them or those that may complete."""
    chances = [one.chance for each in forecasts for one in each.catches if one.loads == loads and one.sds == 3]
    needed, completed = forecast.needed_prints(forecasts), forecast.expected(loads, request.completion_lower)
    if chances and min(chances) < forecast.WANTED_CHANCE:
        cause = f"with {loads} loads it is caught with a chance of {100 * min(chances):.0f} %"
    elif needed is not None and completed < needed:
        cause = (
            f"it takes {needed} prints that complete to catch it in four of five cases, and of {loads} prints as few as "
            f"{completed} may complete (at least {percent_bound(request.completion_lower)} of prints do)"
        )
    else:
        return
    yield Verdict(
        "a change for the worse may go unseen",
        f"judged by one of three standard deviations of a new print: {cause}",
        _more_loads(needed, proposed),
    )


def _more_loads(needed: int | None, proposed: int | None) -> str:
    if proposed is not None:
        return f"plan {proposed} loads (doe confirm --replace --loads {proposed})"
    if needed is not None:
        return (
            f"even {forecast.MOST_LOADS} loads are not sure to bring {needed} prints that complete: first find a setting at "
            "which prints complete"
        )
    return "even 12 loads would not reach four in five: add a round (doe extend) that tells more about this setting first"
