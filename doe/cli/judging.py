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
from doe.files import digest, dump_json

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation
    from doe.record.match import Record
    from doe.study.spec import Study

_JUDGED_BY = ("settings", "prints", "forecasts", "before", "completion_lower", "confidence", "aims", "rule")
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
    advice = json.loads(content)
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
    if plan_text(made) != opened.folder.read(PLAN) or _judged_by(new) != _judged_by(known):
        return None
    return {
        "recommendation": advice["number"], "recommendation_digest": digest(content), "inputs": there.declared,
        "verdicts": as_data(new)["verdicts"],
        "why": _why(opened, known.number, advice["number"]),
    }  # fmt: skip


def _judged_by(one: "Confirmation") -> Any:  # noqa: ANN401 - any JSON value
    from doe.model.results import as_data

    data = json.loads(dump_json(as_data(one)))
    return [data[key] for key in _JUDGED_BY]


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
    began = max(at for at, one in enumerate(lines) if one["command"] == "confirm" and one["detail"]["number"] == number
                and "verdict" not in one["detail"])  # fmt: skip
    return [*_told(lines[began:])]


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
    from doe.model.results import as_data
    from doe.recommend.judge import judge, not_ready
    from doe.recommend.updated import updated
    from doe.report import confirmation as tables

    (design, record), confirmation = there, _as_it_stands(latest.confirmation, again)
    problems = not_ready(study, confirmation, record)
    if problems:
        raise InputRefused(problems)
    opened.take(f"confirmation-{confirmation.number}.json")
    inputs = opened.inputs()
    after = updated(study, design, record, confirmation, opened.declared(study))
    found = replace(judge(study, design, record, confirmation, after), inputs=inputs)
    data = {**as_data(found), **({} if again is None else {"again": again})}
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
