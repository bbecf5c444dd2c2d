"""The judgement of a confirmation whose prints are collected, also again where what it rests on was put right since."""

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from doe.cli.confirmation_plan import Asked, There, made_plan
from doe.cli.confirmation_state import Trial, handed_out
from doe.cli.open_study import RECOMMENDATION, Done, OpenStudy
from doe.cli.progress import progress_of
from doe.errors import InputRefused
from doe.files import digest, dump_json, load_json

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation, Judgement
    from doe.record.match import Record
    from doe.study.spec import Study

_JUDGED_BY = (
    "settings", "prints", "forecasts", "before", "completion_lower", "confidence", "aims", "rule", "conformance", "declared"
)
"""Of a confirmation's plan, what its prints are judged by."""


def holds_again(opened: OpenStudy, study: "Study", there: There, latest: Trial) -> dict[str, Any] | None:
    """
    Return why a confirmation still holds although what it rests on changed, or None where it does not, or need not.

    It holds where the plan that the present recommendation would get is the same to every digit: the setting, the setpoints, and
    what the prints are judged by. Then nothing was changed that its prints could tell.

    Parameters
    ----------
    opened : OpenStudy
    study : Study
    there : There
        As it is now, the confirmation among it.
    latest : Trial

    Returns
    -------
    dict or None
        As it stands under ``again`` in the judgement: the recommendation that is judged now, what it rests on, why.
    """
    from doe.design.read import PLAN, plan_text
    from doe.model.results import as_data
    from doe.record.declared import without_confirmations

    known = latest.confirmation
    if not latest.superseded or not handed_out(opened.folder, progress_of(there.design, there.record), latest):
        return None
    content = opened.folder.read(RECOMMENDATION) if opened.folder.has(RECOMMENDATION) else b"{}"
    advice = load_json(RECOMMENDATION, content)
    if advice.get("inputs") not in (there.files, there.declared):
        return None
    runs = there.design.runs
    before = replace(there.design, runs=runs[runs["round"] != known.round].reset_index(drop=True))
    _, record = without_confirmations(there.design, there.record)
    asked = Asked(loads=known.loads, override=known.override, seed=known.seed)
    try:
        made, new = made_plan(opened, study, replace(there, design=before, record=record), asked, (advice, content))
    except InputRefused:
        return None
    if plan_text(made) != opened.folder.read(PLAN) or not _is_judged_alike(opened, known, new):
        return None
    return {
        "recommendation": advice["number"], "recommendation_digest": digest(content), "inputs": there.declared,
        "verdicts": as_data(new)["verdicts"],
        "why": _why(opened, known.number, advice["number"]) + _earlier(opened, known.number),
    }  # fmt: skip


def _is_judged_alike(opened: OpenStudy, known: "Confirmation", new: "Confirmation") -> bool:
    """Whether a plan and the one made anew judge their prints by the same; an older plan does not say all, but the log does."""
    if known.declared is None or known.conformance is None:
        if _requirements_moved(opened, known.number):
            return False
        new = replace(new, declared=known.declared, conformance=known.conformance)
    return bool(_judged_by(new) == _judged_by(known))


def _judged_by(one: "Confirmation") -> Any:  # noqa: ANN401 - any JSON value
    from doe.model.results import as_data

    data = json.loads(dump_json(as_data(one)))
    return [data[key] for key in _JUDGED_BY]


def _requirements_moved(opened: OpenStudy, number: int) -> bool:
    """Whether the protocol was amended since in what values are judged by."""
    from doe.recommend.declared_then import declared
    from doe.study.amend import locked_protocol
    from doe.study.spec import Study

    lines = opened.folder.log()
    since = _planned_at(lines, number)
    met = []
    for end in (since, *(at for at, one in enumerate(lines[since:], since) if one["command"] == "amend")):
        if (then := locked_protocol(lines[: end + 1])) is not None:
            study = Study.model_validate(then)
            met.append((study.header.conformance, declared(study)))
    return any(one != met[0] for one in met)


def _earlier(opened: OpenStudy, number: int) -> str:
    """Return how the prints of a confirmation were judged before, and when; empty where they were not."""
    before = [
        one for one in opened.folder.log()[_planned_at(opened.folder.log(), number) :]
        if one["command"] == "confirm" and one["detail"].get("number") == number and "verdict" in one["detail"]
    ]
    said = [f"'{one['detail']['verdict']}' on {str(one['time'])[:10]}" for one in before]
    return f"; before, these prints were judged {', then '.join(said)}" if said else ""


def _why(opened: OpenStudy, number: int, recommendation: int) -> str:
    changed = _changes(opened, number)
    since = f"since then {'; '.join(changed)}; " if changed else ""
    return (
        f"{since}recommendation {recommendation}, made from what stands there now, has the same setting, and the forecast for "
        "these prints comes out the same to every digit"
    )


def _changes(opened: OpenStudy, number: int) -> list[str]:
    """Return what was amended or corrected since a confirmation was planned, as the log has it."""
    lines = opened.folder.log()
    return [*_told(lines[_planned_at(lines, number) :])]


def _planned_at(lines: list[dict[str, Any]], number: int) -> int:
    """Return which line of the log planned a confirmation, the last that did."""
    return max(at for at, one in enumerate(lines) if one["command"] == "confirm" and one["detail"]["number"] == number
               and "verdict" not in one["detail"])  # fmt: skip


def _told(lines: list[dict[str, Any]]) -> Iterator[str]:
    for line in lines:
        if line["command"] == "amend":
            yield f"the protocol was amended ({line['detail']['reason']})"
        elif line["command"] == "collect" and line["detail"].get("corrections"):
            count = line["detail"]["corrections"]
            yield f"{count} value{' was' if count == 1 else 's were'} corrected"


def judged(
    opened: OpenStudy, study: "Study", there: "tuple[Design, Record]", latest: Trial, again: dict[str, Any] | None
) -> Done:
    """
    Judge the prints of a confirmation, and write the judgement.

    Parameters
    ----------
    opened : OpenStudy
    study : Study
    there : tuple of Design and Record
    latest : Trial
    again : dict or None
        Why it holds although what it was planned from changed, as :func:`holds_again` returns it; None where nothing changed,
        or where it does not hold.

    Raises
    ------
    InputRefused
        Prints without an outcome or a value.
    """
    from doe.recommend.judge import not_ready
    from doe.report import confirmation as tables

    confirmation = _as_it_stands(latest.confirmation, again)
    problems = not_ready(study, confirmation, there[1])
    if problems:
        raise InputRefused(problems)
    opened.take(f"confirmation-{confirmation.number}.json")
    found, data = _judgement(opened, study, there, confirmation, again)
    name = f"judgement-{confirmation.number}.json"
    detail = {"number": confirmation.number, "recommendation": found.recommendation, "verdict": found.verdict}
    opened.commit("confirm", {name: dump_json(data)}, **detail, **({} if again is None else {"again": again["why"]}))
    lines = (*(f"- {reason}." for reason in found.reasons), *(f"- {one}." for one in found.remarks))
    head = f"Confirmation {confirmation.number} of recommendation {found.recommendation}: {found.verdict}."
    caught = "; ".join(tables.caught_changes(confirmation, found))
    power = (f"- its prints would have caught {caught}; a smaller one may have gone unseen.",) if caught else ()
    late = (_SUPERSEDED,) if latest.superseded and again is None else ()
    told = () if again is None else (f"- judged again by the plan as it was made: {again['why']}.",)
    said = (head, *lines, *power, *told, *late, f"Wrote {name}.", f"Next: {found.next}")
    return Done(data, tables.judgement_tables(found), said)


def _judgement(
    opened: OpenStudy, study: "Study", there: "tuple[Design, Record]", confirmation: "Confirmation", again: dict[str, Any] | None
) -> "tuple[Judgement, dict[str, Any]]":
    """Return what the prints of a confirmation say, and the same as its file holds it."""
    from doe.model.results import as_data
    from doe.recommend.judge import judge
    from doe.recommend.updated import updated

    inputs, (design, record) = opened.inputs(), there
    after = updated(study, design, record, confirmation, opened.declared(study))
    found = replace(judge(study, design, record, confirmation, after), inputs=inputs)
    return found, {**as_data(found), **({} if again is None else {"again": again})}


def judged_anew(opened: OpenStudy, study: "Study", there: "tuple[Design, Record]", latest: Trial) -> dict[str, Any]:
    """
    Judge a confirmation anew from its plan and the record, without a look at the verdict that is stored.

    Parameters
    ----------
    opened : OpenStudy
    study : Study
    there : tuple of Design and Record
    latest : Trial
        Whose judgement rests on what stands there now.

    Returns
    -------
    dict
        What stands in the judgement's file where nothing but doe wrote it.
    """
    assert latest.judgement is not None
    confirmation = _as_it_stands(latest.confirmation, latest.again)
    _, data = _judgement(opened, study, there, confirmation, latest.again)
    return {**data, "inputs": latest.judgement.inputs}


def _as_it_stands(known: "Confirmation", again: dict[str, Any] | None) -> "Confirmation":
    """Return the plan of a confirmation as it was made, for the recommendation that it judges now."""
    from doe.recommend.confirm import RESTS_ON_DOUBT
    from doe.verdicts import Verdict

    if again is None:
        return known
    kept = [one for one in known.verdicts if one.name != RESTS_ON_DOUBT]
    new = [Verdict(**one) for one in again["verdicts"] if one["name"] == RESTS_ON_DOUBT]
    return replace(known, recommendation=again["recommendation"], verdicts=(*kept, *new))


_SUPERSEDED = (
    "- the study, an earlier print or the recommendation changed since these prints were planned: this judges the recommendation "
    "as it was then, and it cannot be released."
)
