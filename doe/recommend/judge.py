"""The judgement of a confirmation: its prints beside what was predicted of them before they were made."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.errors import Problem
from doe.model.data import ResponseData, response_data
from doe.numerics import confirming, desirability
from doe.recommend import desirable, forecast
from doe.recommend.confirmation import (
    CONFIRMED,
    INCONCLUSIVE,
    NOT_CONFIRMED,
    Confirmation,
    Counted,
    Forecast,
    Judgement,
    Outcome,
    Print,
    SinglePrint,
    Updated,
)
from doe.recommend.counted import counted_again
from doe.recommend.places import where_lies, where_limits_lie
from doe.recommend.results import predicted_bound
from doe.record.match import Record
from doe.record.schema import filled
from doe.study import scale
from doe.study.shares import level
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

_MISSES = 0.05
"""So many values that miss their requirement have at most this chance where the study's share of them meets it."""


def not_ready(study: Study, confirmation: Confirmation, record: Record) -> list[Problem]:
    """Return what is missing before the prints can be judged, each print once."""
    names = [one.print for one in confirmation.prints]
    outcome = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    problems = [
        Problem(
            f"record/prints.csv, print {name}",
            "it has no outcome yet",
            "all prints of a confirmation are judged together",
            "fill in the workbook ('lost' or 'skipped' where it will not be printed), then run 'doe collect'",
        )
        for name in names
        if not outcome.get(name)
    ]
    completed = [name for name in names if outcome.get(name) == "completed"]
    return problems + [
        Problem(
            f"record/, print {name}, {response.name}",
            "it completed, and no value or outcome of its test is recorded",
            "all prints of a confirmation are judged together",
            "test it, or give the outcome of its coupons, then run 'doe collect'",
        )
        for response in study.responses
        for name in _untested(response, completed, record)
    ]


def _untested(response: Response, names: Sequence[str], record: Record) -> Iterator[str]:
    table = record.coupons if response.per == "coupon" else record.prints
    if response.name not in table:
        return
    known = filled(table[response.name])
    if response.per == "coupon":
        known = known | (~table["outcome"].isin(["", "completed"]))
    done = set(table.loc[known, "print"])
    yield from (name for name in names if name not in done)


@dataclass(frozen=True)
class _Findings:
    """What speaks against confirming."""

    against: tuple[str, ...]
    open: tuple[str, ...]


def judge(
    study: Study, design: Design, record: Record, confirmation: Confirmation, updated: Updated | str
) -> Judgement:
    """
    Judge the prints of a confirmation.

    Where nothing has changed, 1 to 5 of 100 simulated studies were called not confirmed, and 4 to 9 where no factor has an
    effect, so that the recommended setting looks best by luck alone (``tests/studies/confirmation.csv``, one response). A mean
    beyond the good side of its interval, and a single print outside its own, leave the matter open instead: with them it
    would be up to 11 of 100.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
        All prints of the confirmation have an outcome.
    confirmation : Confirmation
        As it was frozen.
    updated : Updated or str
        What all prints together say, or why that cannot be had.

    Returns
    -------
    Judgement
        ``inputs`` is empty.
    """
    names = {one.print for one in confirmation.prints}
    mine = replace(design, runs=design.runs[design.runs["print"].isin(names)].reset_index(drop=True))
    without = dict(_left_out(confirmation, record))
    outcomes = tuple(
        _outcome(study, mine, record, one, [each for each in confirmation.prints if each.print not in without])
        for one in confirmation.forecasts
    )
    counted = tuple(counted_again(study, record, confirmation, one) for one in confirmation.before)
    found = _Findings(
        tuple(_against(confirmation, outcomes, counted)), tuple(_open(study, confirmation, outcomes, counted))
    )
    verdict = NOT_CONFIRMED if found.against else INCONCLUSIVE if found.open else CONFIRMED
    return Judgement(
        study=study.header.id,
        confirmation=confirmation.number,
        recommendation=confirmation.recommendation,
        verdict=verdict,
        reasons=(*found.against, *found.open) or (_borne_out(outcomes),),
        remarks=tuple(_remarks(record, confirmation, updated)),
        next=_next(study, verdict, confirmation, outcomes, counted),
        override=confirmation.override,
        simulated=confirmation.simulated,
        aims=confirmation.aims,
        outcomes=outcomes,
        counted=counted,
        planned=len(confirmation.prints),
        without=tuple(without.items()),
        updated=updated if isinstance(updated, Updated) else None,
        not_updated=updated if isinstance(updated, str) else "",
        inputs={},
    )


# What the prints gave


def _left_out(confirmation: Confirmation, record: Record) -> Iterator[tuple[str, str]]:
    """Yield the prints that do not count in the means, each with the reason."""
    rows = record.prints.set_index("print")
    used = [column for column in rows if str(column).startswith("used.")]
    for one in confirmation.prints:
        row = rows.loc[one.print]
        if row["outcome"] != "completed":
            yield one.print, str(row["outcome"])
        elif row["deviation"] == "off plan" or any(filled(row[used])):
            yield one.print, "printed at another setting (off plan)"


def _outcome(study: Study, mine: Design, record: Record, known: Forecast, prints: Sequence[Print]) -> Outcome:
    """Return one measured response of the prints beside its intervals."""
    response = next(one for one in study.responses if one.name == known.response)
    data = response_data(study, mine, record, response, scale.model_terms(study), limits=True)
    place = {} if data is None else {name: row for row, name in enumerate(data.names)}
    valued = [one for one in prints if one.print in place]
    nothing = _no_value(known)
    if data is None or not valued:
        return nothing
    rows = [place[one.print] for one in valued]
    means, counts = data.means[rows], [int(count) for count in data.counts[rows]]
    basis = forecast.known_again(known.basis)
    new = forecast.new_prints(known.basis.printers, valued, counts)
    ahead = confirming.mean_ahead(basis, new, known.level)
    mean = float(means.mean())
    values = _required_values(response, data, rows)
    missed = int(np.sum(~_meets(response, values)))
    on_means = response.requirement_on == "print mean"
    of_prints = [1 if on_means else int(np.sum(data.of_print == row)) for row in rows]
    return replace(
        nothing,
        prints=len(valued),
        estimate=forecast.back(response, ahead.estimate),
        low=forecast.back(response, ahead.low),
        high=forecast.back(response, ahead.high),
        mean=forecast.back(response, mean),
        place=where_lies(mean, ahead.low, ahead.high) if data.limits is None else where_limits_lie(data, rows, ahead),
        singles=_singles(response, valued, means, confirming.each_ahead(basis, new, known.level)),
        values=len(values),
        missed=missed,
        chance=confirming.chance_of_misses(basis, missed, of_prints, study.header.conformance) if missed else 1.0,
    )


def _no_value(known: Forecast) -> Outcome:
    return Outcome(
        known.response, known.unit, known.requirement, prints=0, estimate=None, low=None, high=None, mean=None,
        place="no value", singles=(), values=0, missed=0, judged=bool(known.bad_side),
    )  # fmt: skip


def _singles(
    response: Response, prints: Sequence[Print], means: Array, each: Sequence[confirming.Ahead]
) -> tuple[SinglePrint, ...]:
    """Return every print beside its interval, response units; ``means`` are on the scale of the model."""
    return tuple(
        SinglePrint(
            one.print,
            one.load,
            one.printer,
            value=forecast.back(response, mean),
            low=forecast.back(response, limits.low),
            high=forecast.back(response, limits.high),
            place=where_lies(mean, limits.low, limits.high),
        )
        for one, mean, limits in zip(prints, means.tolist(), each, strict=True)
    )


def _required_values(response: Response, data: ResponseData, rows: Sequence[int]) -> Array:
    """Return the values that the requirement is on, response units; none without one."""
    if not forecast.has_requirement(response):
        return np.zeros(0)
    values = data.means[rows] if response.requirement_on == "print mean" else data.values[np.isin(data.of_print, rows)]
    return np.exp(values) if response.transform == "log" else values


def _meets(response: Response, values: Array) -> NDArray[np.bool_]:
    low = -np.inf if response.at_least is None else response.at_least
    high = np.inf if response.at_most is None else response.at_most
    return np.asarray((values >= low) & (values <= high), dtype=bool)


# What follows from it


def _against(confirmation: Confirmation, outcomes: Sequence[Outcome], counted: Sequence[Counted]) -> Iterator[str]:
    sides = {one.response: one.bad_side for one in confirmation.forecasts}
    for count in counted:
        if count.what == "completion" and count.of and count.bad == count.of:
            yield f"none of the {count.of} prints completed"
        elif count.surprising:
            yield f"{_misses(count)}, more than the earlier prints let expect"
    for one in outcomes:
        if _is_bad(one, sides[one.response]):
            yield (
                f"{one.response}: the mean of {one.prints} prints, {_amount(one.mean, one.unit)}, lies {one.place} its "
                f"prediction interval, {_figure(one.low)} to {_figure(one.high)}"
            )


def _is_bad(one: Outcome, side: str) -> bool:
    return (one.place == "below" and side in ("low", "both")) or (one.place == "above" and side in ("high", "both"))


def _misses(count: Counted) -> str:
    if count.what == "completion":
        return f"{count.bad} of {count.of} prints failed"
    return f"{count.what}: {count.bad} of {count.of} prints miss '{count.requirement}'"


def _open(
    study: Study, confirmation: Confirmation, outcomes: Sequence[Outcome], counted: Sequence[Counted]
) -> Iterator[str]:
    sides = {one.response: one.bad_side for one in confirmation.forecasts}
    failed = next((one.bad for one in counted if one.what == "completion"), 0)
    planned = len(confirmation.prints)
    for count in counted:
        if count.bad and not count.surprising:
            yield f"{_misses(count)}: chance, or the setting, and so few prints cannot tell which"
    for one in (each for each in outcomes if each.judged):
        if 2 * one.prints < planned and failed < planned:
            yield f"{one.response}: {one.prints} of {planned} prints gave a value, less than half"
        if one.place in ("below", "above") and not _is_bad(one, sides[one.response]):
            yield (
                f"{one.response}: the mean, {_amount(one.mean, one.unit)}, is better than its prediction interval, "
                f"{_figure(one.low)} to {_figure(one.high)}: the model is wrong here, or the measurement changed"
            )
        if one.place == "open":
            yield (
                f"{one.response}: values that are only limits (no break, broke early) leave open whether the mean lies in its "
                f"prediction interval, {_figure(one.low)} to {_figure(one.high)}"
            )
        if one.place == "inside":
            yield from _outside(one)
        yield from _requirement_missed(study, one)
        if _is_worthless(study, one):
            mean = _amount(one.mean, one.unit)
            yield f"{one.response}: the mean itself, {mean}, is worth nothing by its aim ({one.requirement})"


def _outside(one: Outcome) -> Iterator[str]:
    for each in one.singles:
        if each.place != "inside":
            yield (
                f"{one.response}: print {each.print}, {_amount(each.value, one.unit)}, lies {each.place} what a single print may "
                f"be, {_figure(each.low)} to {_figure(each.high)}"
            )


def _requirement_missed(study: Study, one: Outcome) -> Iterator[str]:
    """Yield that values miss their requirement too often for the share that the study asks for, or their mean does."""
    response = next(each for each in study.responses if each.name == one.response)
    if one.mean is None:
        return
    if not _meets(response, np.array([one.mean]))[0]:
        yield f"{one.response}: the mean itself, {_amount(one.mean, one.unit)}, misses '{one.requirement}'"
    elif one.chance <= _MISSES:
        yield (
            f"{one.response}: {one.missed} of {one.values} values miss '{one.requirement}', too many where "
            f"{100 * study.header.conformance:g} % must meet it"
        )


def _is_worthless(study: Study, one: Outcome) -> bool:
    """Whether the mean of the prints is worth nothing by the aim of its response."""
    response = next(each for each in study.responses if each.name == one.response)
    if response.aim is None or one.mean is None:
        return False
    return not desirability.desirability(np.array([one.mean]), desirable.goal_of(response))[0]


def _borne_out(outcomes: Sequence[Outcome]) -> str:
    judged = [one.response for one in outcomes if one.judged]
    return (
        f"the mean of the prints lies in its prediction interval for {', '.join(judged)}, and so does every single print in "
        "its own"
    )


def _remarks(record: Record, confirmation: Confirmation, updated: Updated | str) -> Iterator[str]:
    names = [one.print for one in confirmation.prints]
    doubted = record.prints[record.prints["print"].isin(names) & (record.prints["deviation"] == "suspect")]
    if len(doubted):
        yield f"marked suspect and kept: {', '.join(doubted['print'])}"
    if isinstance(updated, str):
        yield f"{'the desirability' if confirmation.aims else 'the bound'} was not computed anew: {updated}"
    elif updated.conformance is not None and updated.conformance["lower"] < updated.conformance["required"]:
        yield (
            "with all prints the bound of the share that meets every requirement is "
            f"{predicted_bound(updated.conformance['lower'])}, and the study asks for "
            f"{level(updated.conformance['required'])}: that share is not shown"
        )
    elif updated.desirable is not None and not updated.desirable["overall"]:
        worst = [one["response"] for one in updated.desirable["wishes"] if not one["desirability"]]
        yield f"with all prints the setting is worth nothing by the aims of the study: {', '.join(worst)} stays worthless"


def _next(
    study: Study, verdict: str, confirmation: Confirmation, outcomes: Sequence[Outcome], counted: Sequence[Counted]
) -> str:
    """Return exactly one next step."""
    sides = {one.response: one.bad_side for one in confirmation.forecasts}
    if verdict == CONFIRMED:
        return "doe release --by NAME, by the person who answers for it"
    failing = [count.what for count in counted if count.surprising]
    if "completion" in failing:
        return (
            "look at the failed prints before anything else (bed, first layer, spool); where the setting is the cause, narrow "
            "the ranges (doe amend) and print around a safer setting (doe extend)"
        )
    if verdict == NOT_CONFIRMED:
        bad = [one.response for one in outcomes if _is_bad(one, sides[one.response])] or failing
        return (
            f"find out what changed since the first prints, or what the model misses, for {', '.join(bad)} (batch, drying, "
            "nozzle, instrument); then add a round (doe extend) and recommend anew"
        )
    if any(one.judged and one.place in ("below", "above") for one in outcomes):
        return (
            "check the instrument and the batch, then add a round around this setting (doe extend) and recommend anew"
        )
    worthless = [one.response for one in outcomes if _is_worthless(study, one)]
    if worthless:
        return (
            f"look for a region or a material in which {', '.join(worthless)} is worth something, or ask whether the limits of "
            "this aim are what is really wanted"
        )
    if any(not _clean(one) for one in outcomes if one.judged):
        return "find the cause of the prints that stand out, then confirm again on new loads: doe confirm"
    return "confirm again on new loads: doe confirm"


def _clean(one: Outcome) -> bool:
    return all(each.place == "inside" for each in one.singles) and not one.missed


def _amount(value: float | None, unit: str) -> str:
    return f"{_figure(value)} {'' if unit == '1' else unit}".rstrip()


def _figure(value: float | None) -> str:
    return "n/a" if value is None else f"{value:.4g}"
