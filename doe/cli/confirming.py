"""Commands about the trial of an answer: ``confirm``, ``release``."""

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from doe.cli.desk import RECOMMENDATION, Desk, Done, require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, folder_of, show
from doe.cli.progress import progress_of
from doe.cli.steps import fresh_seed
from doe.cli.trial import RELEASE, Trial, handed_out, not_releasable, numbers_of, release_of, trial
from doe.errors import InputRefused, Problem
from doe.files import Folder, digest, dump_json

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation
    from doe.record.match import Record
    from doe.study.spec import Study


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(confirm)
    app.command()(release)


def confirm(
    study: StudyOption = HERE,
    loads: Annotated[
        int | None,
        typer.Option(min=3, max=50, metavar="N", help="Number of new drying loads, with one print each; 6 without it."),
    ] = None,
    recommendation: Annotated[
        int | None,
        typer.Option(min=1, metavar="N", help="Which recommendation is tried, by its number; the latest without it."),
    ] = None,
    override: Annotated[
        str,
        typer.Option(
            metavar="REASON",
            help="Why to confirm although the model misses more than scatter explains (lack of fit), or although an earlier "
            "confirmation failed. The reason stands in the report.",
        ),
    ] = "",
    seed: Annotated[
        int | None,
        typer.Option(
            min=0,
            metavar="N",
            help="Number that starts the random choice of which printer comes when. Without it, a new one is drawn.",
        ),
    ] = None,
    replacing: Annotated[
        bool,
        typer.Option("--replace", help="Throw away the planned confirmation and make another; only before its 'doe sheet'."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """
    Try the recommended setting on new prints, and judge it by them.

    The first time it plans the prints, each on a drying load of its own, and writes down what they will be judged by. Then
    'doe sheet', print and test, 'doe collect', and 'doe confirm' again: confirmed, not confirmed or inconclusive.
    """
    asked = Asked(loads, recommendation, override.strip(), fresh_seed() if seed is None else seed, replacing)
    show(confirmed(require_begun(folder_of(study), collected=True), asked), as_json)


def release(
    by: Annotated[
        str,
        typer.Option("--by", metavar="NAME", help="The person who answers for it; the name stands on page one of the report."),
    ],
    study: StudyOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """
    Release a study that was confirmed: a person's decision.

    The release ends when anything that it rests on changes.

    For instance: doe release --by "Your Name"
    """
    show(released(require_begun(folder_of(study)), by.strip()), as_json)


@dataclass(frozen=True)
class Asked:
    """What was asked of ``doe confirm``."""

    loads: int | None = None
    recommendation: int | None = None
    override: str = ""
    seed: int = 0
    replacing: bool = False


@dataclass(frozen=True)
class _There:
    """What stands in the study before a confirmation is planned."""

    design: "Design"
    record: "Record"
    files: dict[str, str]
    """Digests of study, plan and record as they are."""
    declared: dict[str, str]
    """The same as if no confirmation were there: what the declared fit rests on."""


def confirmed(folder: Folder, asked: Asked) -> Done:
    """Plan a confirmation, or judge the one whose prints are collected."""
    with folder.locked("confirm"):
        desk = Desk(folder)
        study = desk.study()
        design, record = desk.design(study), desk.sound_record(study)
        latest = trial(desk, study, design, record)
        there = _There(design, record, desk.inputs(), desk.declared_inputs(study, design, record))
        if latest is None or _is_over(latest):
            _refuse_twice(desk, latest, asked)
            return _planned(desk, study, there, asked)
        if latest.judgement is None and not handed_out(folder, progress_of(design, record), latest):
            if not asked.replacing:
                raise InputRefused(
                    Problem(
                        f"confirmation-{latest.confirmation.number}.json",
                        "it is planned and has no sheet yet",
                        "one confirmation at a time is planned",
                        "use it (doe sheet), or plan it anew with 'doe confirm --replace'",
                    )
                )
            kept = design.runs[design.runs["round"] != latest.confirmation.round].reset_index(drop=True)
            return _planned(desk, study, replace(there, design=replace(design, runs=kept)), asked)
        _refuse_options(latest, asked)
        return _judged(desk, study, (design, record), latest)


def _is_over(latest: Trial) -> bool:
    """Whether the latest confirmation is judged and nothing of it changed, or no longer counts: the next may be planned."""
    if latest.judgement is None:
        return False
    return latest.superseded or not latest.stale


def _refuse_twice(desk: Desk, latest: Trial | None, asked: Asked) -> None:
    """Refuse to try anew what is confirmed, unless a reason is given: a new trial puts its result, and a release, in question."""
    from doe.recommend.confirmation import CONFIRMED

    if latest is None or latest.judgement is None or latest.superseded or asked.override:
        return
    if latest.judgement.verdict == CONFIRMED:
        signed = release_of(desk, latest)
        raise InputRefused(
            Problem(
                f"judgement-{latest.confirmation.number}.json",
                f"recommendation {latest.judgement.recommendation} is confirmed already"
                + (f", and {signed['by']} released it" if signed else ""),
                "a confirmed setting is tried again only for a reason, since the new prints put it in question"
                + (" and end the release" if signed else ""),
                "go on with 'doe report'" if signed else "go on with 'doe release', or give the reason: --override REASON",
            )
        )


def _refuse_options(latest: Trial, asked: Asked) -> None:
    """Refuse options of a plan where a confirmation is out."""
    given = {
        "--loads": asked.loads,
        "--recommendation": asked.recommendation,
        "--override": asked.override,
        "--replace": asked.replacing,
    }
    problems = [
        Problem(
            option,
            f"given while confirmation {latest.confirmation.number} is out",
            "it goes with the plan of a confirmation",
            "leave it out to judge what was collected",
        )
        for option, value in given.items()
        if value
    ]
    if problems:
        raise InputRefused(problems)


# Plan


def _planned(desk: Desk, study: "Study", there: _There, asked: Asked) -> Done:
    from doe.design.read import PLAN, plan_text
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.model.results import as_data
    from doe.recommend.beside import COMPLETION
    from doe.recommend.confirm import ConfirmRequest, plan_confirmation
    from doe.record.declared import without_confirmations

    design, inputs = there.design, there.declared
    advice, content = _advice(desk, asked, there)
    before, rest = without_confirmations(design, there.record)
    _, fitted = fit_model(study, before, rest, FitRequest(declared=desk.declared(study), examine=False), inputs)
    number, refuted = _history(desk, design, advice)
    completes = next((one["lower"] for one in advice["beside"] if one["what"] == COMPLETION), None)
    request = ConfirmRequest(
        number, advice, digest(content), inputs, asked.seed, asked.loads, asked.override, completes, refuted
    )
    made, confirmation = plan_confirmation(study, design, rest, fitted, request)
    data = as_data(confirmation)
    files = {PLAN: plan_text(made), f"confirmation-{number}.json": dump_json(data)}
    detail = {"number": number, "recommendation": advice["number"], "round": confirmation.round, "seed": asked.seed}
    desk.commit("confirm", files, **detail, **({"override": asked.override} if asked.override else {}))
    return _show_plan(study, made, confirmation, data)


def _advice(desk: Desk, asked: Asked, there: _There) -> tuple[dict[str, Any], bytes]:
    """Return the recommendation that is to be confirmed, with its file; refused where it does not rest on what stands there."""
    desk.require(RECOMMENDATION, "a confirmation tries a recommended setting, and there is none", "doe recommend")
    name = RECOMMENDATION if asked.recommendation is None else f"recommendation-{asked.recommendation}.json"
    if not desk.folder.has(name):
        numbers = ", ".join(map(str, numbers_of(desk.folder, "recommendation")))
        raise InputRefused(
            Problem(
                "--recommendation",
                f"there is no recommendation {asked.recommendation}",
                f"there are {numbers}",
                "name one",
            )
        )
    content = desk.take(name)
    stored: dict[str, Any] = json.loads(content)
    if content != desk.take(RECOMMENDATION):
        raise InputRefused(
            Problem(
                "--recommendation",
                f"number {asked.recommendation} is not the latest",
                "only the latest rests on all that is known",
                f"confirm number {json.loads(desk.take(RECOMMENDATION))['number']}, by leaving --recommendation out",
            )
        )
    if stored["inputs"] not in (there.files, there.declared):
        raise InputRefused(
            Problem(
                name,
                "the study or the record changed since it was made",
                "a confirmation tries what follows from what stands there now",
                "run 'doe fit' and 'doe recommend' again",
            )
        )
    return stored, content


def _history(desk: Desk, design: "Design", advice: dict[str, Any]) -> tuple[int, tuple[int, ...]]:
    """Return the number of the next confirmation, and the earlier ones that found this setting not confirmed."""
    from doe.recommend.confirmation import NOT_CONFIRMED

    refuted, last = [], 0
    settings = {name: one["value"] for name, one in advice["settings"].items()}
    for number in numbers_of(desk.folder, "confirmation"):
        stored = json.loads(desk.folder.read(f"confirmation-{number}.json"))
        if stored["round"] not in design.confirmations:
            continue
        last, name = number, f"judgement-{number}.json"
        said = json.loads(desk.folder.read(name))["verdict"] if desk.folder.has(name) else ""
        if said == NOT_CONFIRMED and {key: one["value"] for key, one in stored["settings"].items()} == settings:
            refuted.append(number)
    return last + 1, tuple(refuted)


def _show_plan(study: "Study", made: "Design", confirmation: "Confirmation", data: dict[str, Any]) -> Done:
    from doe.report import confirmation as tables
    from doe.report import protocol, screens

    new = replace(made, runs=made.of_round(confirmation.round))
    return Done(
        data,
        (
            protocol.plan_table(study, new),
            *tables.forecast_tables(confirmation),
            *screens.verdict_tables(confirmation.verdicts),
        ),
        (
            *tables.power_sentences(confirmation),
            f"Added confirmation {confirmation.number} to plan.csv as round {confirmation.round}: {confirmation.loads} prints of "
            f"the setting of recommendation {confirmation.recommendation}. What they will be judged by is frozen.",
            f"Next: {confirmation.next}",
        ),
    )


# Judge


def _judged(desk: Desk, study: "Study", there: "tuple[Design, Record]", latest: Trial) -> Done:
    from doe.model.results import as_data
    from doe.recommend.judge import judge, not_ready
    from doe.recommend.updated import updated
    from doe.report import confirmation as tables

    design, record = there
    confirmation = latest.confirmation
    problems = not_ready(study, confirmation, record)
    if problems:
        raise InputRefused(problems)
    desk.take(f"confirmation-{confirmation.number}.json")
    inputs = desk.inputs()
    again = updated(study, design, record, confirmation, desk.declared(study))
    found = replace(judge(study, design, record, confirmation, again), inputs=inputs)
    data = as_data(found)
    name = f"judgement-{confirmation.number}.json"
    desk.commit(
        "confirm",
        {name: dump_json(data)},
        number=confirmation.number,
        recommendation=found.recommendation,
        verdict=found.verdict,
    )
    lines = (*(f"- {reason}." for reason in found.reasons), *(f"- {one}." for one in found.remarks))
    head = f"Confirmation {confirmation.number} of recommendation {found.recommendation}: {found.verdict}."
    late = (_SUPERSEDED,) if latest.superseded else ()
    return Done(data, tables.judgement_tables(found), (head, *lines, *late, f"Wrote {name}.", f"Next: {found.next}"))


_SUPERSEDED = (
    "- the study, an earlier print or the recommendation changed since these prints were planned: this judges the recommendation "
    "as it was then, and it cannot be released."
)


# Release


def released(folder: Folder, by: str) -> Done:
    """Release a confirmed study."""
    from doe.files import stamp

    with folder.locked("release"):
        desk = Desk(folder)
        study = desk.study()
        design, record = desk.design(study), desk.record_or_none(study)
        latest = trial(desk, study, design, record)
        problems = [*_unsigned(by), *not_releasable(latest)]
        if problems:
            raise InputRefused(problems)
        assert latest is not None and latest.judgement is not None
        number = latest.confirmation.number
        for name in (f"confirmation-{number}.json", f"judgement-{number}.json", RECOMMENDATION):
            desk.take(name)
        data = {
            "study": study.header.id,
            "by": by,
            "when": stamp(),
            "recommendation": latest.judgement.recommendation,
            "confirmation": number,
            "judgement_digest": digest(desk.take(f"judgement-{number}.json")),
            "settings": latest.confirmation.settings,
            "override": latest.confirmation.override,
            "simulated": study.header.simulated,
            "inputs": desk.inputs(),
        }
        desk.commit(
            "release", {RELEASE: dump_json(data)}, by=by, recommendation=data["recommendation"], confirmation=number
        )
    return Done(
        data,
        lines=(
            f"{by} released recommendation {data['recommendation']}, confirmed by confirmation {number}.",
            *(f"Signed although {one}." for one in latest.judgement.remarks),
            f"Wrote {RELEASE}. Any later change of study, plan, record or recommendation ends it.",
            "Next: doe report",
        ),
    )


def _unsigned(by: str) -> list[Problem]:
    if any(letter.isalnum() for letter in by) and by.isprintable():
        return []
    return [Problem("--by", f"'{by}' names nobody", "the name of the person who answers for it", "give it")]
