"""The judgement of a confirmation: confirmed, not confirmed or inconclusive, with the reasons."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.errors import Problem
from doe.numerics import desirability
from doe.recommend import desirable
from doe.recommend.confirm import RESTS_ON_DOUBT
from doe.recommend.confirmation import (
    CONFIRMED,
    INCONCLUSIVE,
    NOT_CONFIRMED,
    Confirmation,
    Counted,
    Judgement,
    Outcome,
    Updated,
)
from doe.recommend.counted import counted_again
from doe.recommend.declared_then import as_declared
from doe.recommend.doubted import SUSPECT, Doubted, doubted_values
from doe.recommend.outcomes import left_out, meets, outcome
from doe.recommend.results import predicted_bound
from doe.record.match import Record
from doe.record.schema import filled, outcomes_of
from doe.study.shares import level
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

_MISSES = 0.05
"""So many values that miss their requirement have at most this chance where the study's share of them meets it."""


def not_ready(study: Study, confirmation: Confirmation, record: Record) -> list[Problem]:
    """Return what is missing before the prints can be judged, each print once."""
    names = [one.print for one in confirmation.prints]
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    problems = [
        Problem(
            f"record/prints.csv, print {name}",
            "it has no outcome yet",
            "all prints of a confirmation are judged together",
            "fill in the workbook ('lost' or 'skipped' where it will not be printed), then run 'doe collect'",
        )
        for name in names
        if not ended.get(name)
    ]
    completed = [name for name in names if ended.get(name) == "completed"]
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
        known = known | (~outcomes_of(table, response.name).isin(["", "completed"]))
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
    study = as_declared(study, confirmation)
    names = {one.print for one in confirmation.prints}
    mine = replace(design, runs=design.runs[design.runs["print"].isin(names)].reset_index(drop=True))
    without = dict(left_out(confirmation, record))
    outcomes = tuple(
        outcome(study, mine, record, one, [each for each in confirmation.prints if each.print not in without])
        for one in confirmation.forecasts
    )
    counted = tuple(counted_again(study, record, confirmation, one) for one in confirmation.before)
    doubted = doubted_values(study, record, {one.print for one in confirmation.prints} - without.keys())
    undecided = [one for one in doubted if _is_too_few(one, confirmation) and one.response in _decides(outcomes, counted)]
    found = _Findings(
        tuple(_against(confirmation, outcomes, counted)),
        (*_open(study, confirmation, outcomes, counted), *(_undecided(one) for one in undecided)),
    )
    verdict = NOT_CONFIRMED if found.against else INCONCLUSIVE if found.open else CONFIRMED
    return Judgement(
        study=study.header.id,
        confirmation=confirmation.number,
        recommendation=confirmation.recommendation,
        verdict=verdict,
        reasons=(*found.against, *found.open) or (_borne_out(outcomes),),
        remarks=(*_doubts(record, confirmation, doubted), *_remarks(confirmation, updated)),
        next=_LOOK if undecided and verdict == INCONCLUSIVE else _next(study, verdict, confirmation, outcomes, counted),
        override=confirmation.override,
        simulated=confirmation.simulated,
        aims=confirmation.aims,
        outcomes=outcomes,
        counted=counted,
        planned=len(confirmation.prints),
        without=tuple(without.items()),
        updated=updated if isinstance(updated, Updated) else None,
        inputs={},
    )


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
    if not meets(response, np.array([one.mean]))[0]:
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


_LOOK = (
    "find out about what is in doubt: where the values hold, take the mark back (doe collect --withdraw ROW:deviation) or "
    "correct the instrument's due day (study.toml, doe amend), and run doe status, which says what comes then; where they do "
    "not hold, test these prints again, or confirm again on new loads"
)


def _decides(outcomes: Sequence[Outcome], counted: Sequence[Counted]) -> set[str]:
    """Return the responses by which the prints are judged."""
    return {one.response for one in outcomes if one.judged} | {one.what for one in counted}


def _is_too_few(one: Doubted, confirmation: Confirmation) -> bool:
    """Whether less than half of the planned prints have a value that is not in doubt."""
    return 2 * len(one.sound) < len(confirmation.prints)


def _undecided(one: Doubted) -> str:
    left = "" if one.all else f", and less than half of the planned prints ({len(one.sound)}) have another"
    return f"{one.response}: {one.many} in doubt ({'; '.join(one.why)}){left}, so that these prints bear nothing out"


def _doubts(record: Record, confirmation: Confirmation, doubted: Sequence[Doubted]) -> Iterator[str]:
    """Yield what is in doubt: of the recommendation, of these prints, and of single values of them."""
    yield from dict.fromkeys(f"{one.name}: {one.cause}" for one in confirmation.verdicts if one.name == RESTS_ON_DOUBT)
    names = [one.print for one in confirmation.prints]
    marked = record.prints[record.prints["print"].isin(names) & (record.prints["deviation"] == "suspect")]
    if len(marked):
        yield f"marked suspect and kept: {', '.join(marked['print'])}"
    for one in doubted:
        if not _is_too_few(one, confirmation) and (one.why != (SUSPECT,) or not len(marked)):
            yield str(one)


def _remarks(confirmation: Confirmation, updated: Updated | str) -> Iterator[str]:
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
