"""The command that tries a recommended setting on new prints: ``confirm``."""

import shlex
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from doe.cli.confirmation_plan import Asked, There, advice_to_try, made_plan
from doe.cli.confirmation_state import Trial, handed_out, release_of, trial
from doe.cli.judging import holds_again, judged
from doe.cli.open_study import Done, OpenStudy, require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.cli.progress import progress_of
from doe.cli.steps import fresh_seed
from doe.errors import InputRefused, Problem
from doe.files import Folder, dump_json
from doe.verdicts import ordered

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation
    from doe.study.spec import Study


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(confirm)


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
    show(confirmed(require_begun(Folder(study), collected=True), asked), as_json)


_BLIND = 0.5
"""Least chance to catch a drop of three standard deviations with which a confirmation is planned without asking how large."""


def confirmed(folder: Folder, asked: Asked) -> Done:
    """Plan a confirmation, or judge the one whose prints are collected."""
    with folder.locked("confirm"):
        opened = OpenStudy(folder)
        study = opened.study()
        design, record = opened.design(study), opened.sound_record(study)
        latest = trial(opened, design, record)
        there = There(design, record, opened.inputs(), opened.declared_inputs(design, record))
        again = None if latest is None else holds_again(opened, study, there, latest)
        if latest is not None and again is not None:
            _refuse_options(latest, asked)
            return judged(opened, study, (design, record), latest, again)
        if latest is None or _is_over(latest):
            _refuse_twice(opened, latest, asked)
            return _planned(opened, study, there, asked)
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
            return _planned(opened, study, replace(there, design=replace(design, runs=kept)), asked)
        _refuse_options(latest, asked)
        return judged(opened, study, (design, record), latest, latest.again)


def _is_over(latest: Trial) -> bool:
    """Whether the latest confirmation is judged and nothing of it changed, or no longer counts: the next may be planned."""
    if latest.judgement is None:
        return False
    return latest.superseded or not latest.stale


def _refuse_twice(opened: OpenStudy, latest: Trial | None, asked: Asked) -> None:
    """Refuse to try anew what is confirmed, unless a reason is given: a new trial puts its result, and a release, in question."""
    from doe.recommend.confirmation import CONFIRMED

    if latest is None or latest.judgement is None or latest.superseded or asked.override:
        return
    if latest.judgement.verdict == CONFIRMED:
        signed = release_of(opened, latest)
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


def _planned(opened: OpenStudy, study: "Study", there: There, asked: Asked) -> Done:
    from doe.design.read import PLAN, plan_text
    from doe.model.results import as_data
    from doe.recommend.forecast import least_caught

    tried = advice_to_try(opened, asked, there)
    made, confirmation = made_plan(opened, study, there, asked, tried)
    data, number = as_data(confirmation), confirmation.number
    caught = least_caught(confirmation.forecasts, confirmation.loads)
    if asked.loads is None and caught is not None and caught[0] < _BLIND:
        return _show_choice(confirmation, asked, *caught)
    files = {PLAN: plan_text(made), f"confirmation-{number}.json": dump_json(data)}
    detail = {"number": number, "recommendation": tried[0]["number"], "round": confirmation.round, "seed": asked.seed}
    opened.commit("confirm", files, **detail, **({"override": asked.override} if asked.override else {}))
    return _show_plan(study, made, confirmation, data)


def _again_with(asked: Asked) -> str:
    """Return the options that a plan was asked for with and that the next call needs as well."""
    return f"{' --replace' if asked.replacing else ''}{f' --override {shlex.quote(asked.override)}' if asked.override else ''}"


def _show_choice(confirmation: "Confirmation", asked: Asked, caught: float, response: str) -> Done:
    """Show what each number of loads would catch, where the usual number would miss more than it catches; plans nothing."""
    from doe.recommend.forecast import CANDIDATES, least_caught
    from doe.report import confirmation as tables

    usual, most, rest = confirmation.loads, max(CANDIDATES), _again_with(asked)
    chance = f"{100 * caught:.0f} %"
    choices = [f"doe confirm --loads {usual}{rest}: the usual number all the same, with {chance}"]
    if confirmation.proposed is not None:
        proposed = f"doe confirm --loads {confirmation.proposed}{rest}"
        choices.insert(0, f"{proposed}: the fewest loads that catch it in four of five cases")
    else:
        if (best := least_caught(confirmation.forecasts, most)) is not None:
            choices.insert(0, f"doe confirm --loads {most}{rest}: {100 * best[0]:.0f} %, where all of them complete")
        choices.insert(0, "doe extend: a further round first, which tells more about this setting, so that fewer prints will do")
    return Done(
        {"planned": False, "caught": caught, "proposed": confirmation.proposed, "next": choices},
        (tables.catch_table(confirmation),),
        ("Choose one:", *(f"- {one}" for one in choices)),
        (
            f"Nothing was planned: {usual} prints on new loads would catch a change for the worse of three standard deviations "
            f"of a new print with a chance of only {chance} in {response}. More "
            "often than not they would not call 'not confirmed' a setting that is that much worse than predicted: it would end "
            "confirmed, or inconclusive where a limit is near.",
        ),
    )


def _show_plan(study: "Study", made: "Design", confirmation: "Confirmation", data: dict[str, Any]) -> Done:
    from doe.report import confirmation as tables
    from doe.report import protocol

    new = replace(made, runs=made.of_round(confirmation.round))
    return Done(
        data,
        (*tables.forecast_tables(confirmation), protocol.plan_table(study, new)),
        (
            *tables.power_sentences(confirmation),
            f"Added confirmation {confirmation.number} to plan.csv as round {confirmation.round}: {confirmation.loads} prints of "
            f"the setting of recommendation {confirmation.recommendation}. What they will be judged by is frozen.",
            f"Next: {confirmation.next}{', or what the first lines say' if confirmation.verdicts else ''}",
        ),
        tuple(_doubts(confirmation)) if confirmation.verdicts else (),
    )


def _doubts(confirmation: "Confirmation") -> Iterator[str]:
    """Yield what stands against the plan, with what can be done about it while it can still be another one."""
    yield "Read this before anything is printed:"
    for verdict in ordered(confirmation.verdicts):
        yield f"- {verdict.name}: {verdict.cause}. To do: {verdict.next_step}."
    yield (
        "Until 'doe sheet' another confirmation takes the place of this one: 'doe confirm --replace', with --loads for another "
        "number of prints. The tables below say what each number of loads would catch."
    )
