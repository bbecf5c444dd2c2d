"""The command that plans a further round: ``extend``."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import typer

from doe.cli import plan_options as ask
from doe.cli.open_study import FIT, RECOMMENDATION, Done, OpenStudy, require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.cli.steps import fresh_seed
from doe.errors import InputRefused, Problem
from doe.files import Folder, digest, load_json
from doe.verdicts import Verdict

if TYPE_CHECKING:
    from doe.design.around import Box
    from doe.design.ascent import Line
    from doe.design.extend import ExtendRequest
    from doe.design.plan import Design
    from doe.record.match import Record
    from doe.study.spec import Response, Study


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(extend)


def extend(
    study: StudyOption = HERE,
    prints: ask.MorePrints = None,
    loads: ask.MoreLoads = None,
    width: ask.Width = None,
    kind: ask.RoundOption = None,
    factors: ask.Factors = None,
    distance: ask.AxialDistance = None,
    terms: ask.FurtherTerms = None,
    response: ask.Followed = None,
    seed: ask.Seed = None,
    replacing: ask.ReplaceRound = False,
    as_json: JsonOption = False,
) -> None:
    """
    Plan a further round of prints, chosen together with those that were made.

    By default around the recommended setting, where the answer must be sharper. Then 'doe sheet', and on as before.

    For instance: doe extend --prints 12 --loads 3
    """
    _refuse_idle(
        kind.value if kind else "optimal",
        {"--width": width, "--terms": terms, "--factors": factors, "--distance": distance, "--response": response},
    )
    folder = require_begun(Folder(study))
    from doe.design.extend import ExtendRequest

    request = ExtendRequest(
        kind=kind.value if kind else "optimal",
        prints=prints,
        loads=loads,
        factors=_listed(factors),
        distance=1.0 if distance is None else distance,
        terms=_listed(terms) or None,
        seed=fresh_seed() if seed is None else seed,
    )
    aim = Aim(around_answer=kind is None or width is not None, width=width, response=response)
    show(plan_round(folder, request, aim, replacing=replacing), as_json)


_GOES_WITH = {
    "--width": ("optimal",),
    "--terms": ("optimal",),
    "--factors": ("fold-over", "axial"),
    "--distance": ("axial",),
    "--response": ("ascent",),
}


def _refuse_idle(kind: str, given: Mapping[str, object]) -> None:
    """Refuse options that this kind of round has no use for."""
    problems = [
        Problem(option, f"given for a round of kind '{kind}'", f"it goes with {' and '.join(kinds)}", "leave it out")
        for option, kinds in _GOES_WITH.items()
        if given[option] is not None and kind not in kinds
    ]
    if problems:
        raise InputRefused(problems)


def _listed(written: str | None) -> tuple[str, ...]:
    return tuple(text.strip() for text in (written or "").split(",") if text.strip())


@dataclass(frozen=True)
class Aim:
    """Where the engineer wants the round to be."""

    around_answer: bool = True
    """Around the recommended setting rather than in the whole region; of optimal prints."""
    width: float | None = None
    response: str | None = None


def plan_round(folder: Folder, request: "ExtendRequest", aim: Aim, *, replacing: bool = False) -> Done:
    """Add a round to the plan."""
    from doe.design.extend import extend as make
    from doe.design.read import PLAN, plan_text

    with folder.locked("extend"):
        opened = OpenStudy(folder)
        study = opened.study()
        there = opened.design(study)
        record = opened.record_or_none(study)
        base = _frozen(folder, there, record, replacing=replacing)
        current = {digest(opened.take(PLAN)), digest(plan_text(base))}
        where = _where(opened, study, request, aim, current)
        made = make(study, base, _sized(study, base, request), where, _without_value(study, base, record))
        made = replace(made, verdicts=(*_not_collected(base, record), *made.verdicts))
        opened.commit("extend", {PLAN: plan_text(made)}, round=made.rounds[-1], kind=request.kind, seed=request.seed)
    return _shown(study, made)


def _frozen(folder: Folder, design: "Design", record: "Record | None", *, replacing: bool) -> "Design":
    """Return the rounds whose sheets are written; the last one, where it has none, is thrown away if that is wanted."""
    from doe.design.read import PLAN

    last = design.rounds[-1]
    if design.only_pilot:
        raise InputRefused(
            Problem(PLAN, "it holds a pilot only", "a further round comes after the first one", "run 'doe plan' first")
        )
    recorded = record is not None and bool((record.prints["round"] == last).any())
    if folder.has(f"sheets/round-{last}.xlsx") or recorded:
        if replacing:
            raise InputRefused(
                Problem(
                    f"{PLAN}, round {last}",
                    "its sheet is written, so its rows stay",
                    "--replace throws away a round without a sheet",
                    f"leave --replace out to plan round {last + 1}",
                )
            )
        return design
    if last == design.fitted["round"].min():
        raise InputRefused(
            Problem(
                f"{PLAN}, round {last}",
                "its sheet is not written yet",
                "a further round is planned after the first one was handed out",
                "run 'doe sheet', or plan anew with 'doe plan --replace'",
            )
        )
    if not replacing:
        raise InputRefused(
            Problem(
                f"{PLAN}, round {last}",
                "it is planned already and has no sheet yet",
                "one round at a time is planned",
                "use it (doe sheet), or throw it away with 'doe extend --replace'",
            )
        )
    return replace(design, runs=design.runs[design.runs["round"] < last].reset_index(drop=True))


def _sized(study: "Study", base: "Design", request: "ExtendRequest") -> "ExtendRequest":
    """Refuse a searched round without a number of prints when the budget is spent."""
    from doe.design.extend import left_of_budget

    if request.kind != "optimal" or request.prints is not None or left_of_budget(study, base)[0]:
        return request
    found = "prints are missing" if study.budget.prints is None else f"all {study.budget.prints} prints are planned"
    half = max(4, len(base.runs) // 2)
    raise InputRefused(
        Problem(
            "study.toml, [budget]",
            found,
            "the round takes what is left of the budget, or the number that is asked for",
            f"give --prints (half of the first round, {half}, does well) and --loads",
        )
    )


def _without_value(study: "Study", base: "Design", record: "Record | None") -> tuple[str, ...]:
    """Return the prints that failed or were never tried, and gave no value of any measured response."""
    from doe.model.data import response_data
    from doe.model.values import FAILED
    from doe.sheet.columns import NEVER_PRINTED
    from doe.study import scale

    if record is None:
        return ()
    model = scale.model_terms(study)
    measured = [one for one in study.responses if one.kind == "measured"]
    found = [response_data(study, base, record, one, model) for one in measured]
    valued = {name for one in found if one is not None for name in one.names}
    ended = set(record.prints.loc[record.prints["outcome"].isin([*FAILED, *NEVER_PRINTED]), "print"])
    return tuple(name for name in base.runs["print"] if name in ended - valued)


def _not_collected(base: "Design", record: "Record | None") -> list[Verdict]:
    found = []
    for number in base.rounds:
        planned = len(base.of_round(number))
        mine = None if record is None else record.prints[record.prints["round"] == number]
        ended = 0 if mine is None else int((mine["outcome"] != "").sum())
        if ended < planned:
            found.append(
                Verdict(
                    "earlier round not collected",
                    f"{ended} of {planned} prints of round {number} are recorded",
                    "the new round counts on all of them: collect the rest, and look whether it is still the round you want",
                )
            )
    return found


# Where the round is: around the recommended setting, or along the line of steepest ascent


def _where(opened: OpenStudy, study: "Study", request: "ExtendRequest", aim: Aim, plans: set[str]) -> "Box | Line | None":
    if request.kind == "ascent":
        return _line(opened, study, aim.response, plans)
    if request.kind != "optimal" or not aim.around_answer:
        return None
    import numpy as np

    from doe.design import around
    from doe.study import scale

    stored = _fresh(opened, RECOMMENDATION, "doe recommend", "the centre of the round is the recommended setting", plans)
    values = {name: [one["value"]] for name, one in stored["settings"].items()}
    centre = np.asarray(scale.coded(study, values)[0])
    return around.around(study, centre, around.HALF_WIDTH if aim.width is None else aim.width)


def _fresh(opened: OpenStudy, name: str, command: str, why: str, plans: set[str]) -> dict[str, Any]:
    """Return a result, refused where it is missing or was made from anything but what stands there now."""
    from doe.design.read import PLAN

    if not opened.folder.names("record/*.csv"):
        raise InputRefused(
            Problem(
                "record/", "nothing was collected yet", why, "run 'doe collect', 'doe fit' and 'doe recommend' first"
            )
        )
    inputs = opened.inputs()
    opened.require(name, f"it is not there, and {why}", command)
    stored = load_json(name, opened.take(name), "inputs")
    given = stored["inputs"]
    if {**given, PLAN: ""} == {**inputs, PLAN: ""} and given.get(PLAN) not in plans:
        raise InputRefused(
            Problem(
                name,
                "it was made before the latest round was planned, whose results are not collected yet",
                why,
                "collect that round, then run 'doe fit' and 'doe recommend'; or say where with --kind",
            )
        )
    if {**given, PLAN: ""} != {**inputs, PLAN: ""} or given.get(PLAN) not in plans:
        raise InputRefused(
            Problem(
                name,
                "the study or the record changed since it was made",
                why,
                "run 'doe fit'" + (f" and '{command}'" if command != "doe fit" else "") + " again",
            )
        )
    return stored


def _line(opened: OpenStudy, study: "Study", response: str | None, plans: set[str]) -> "Line":
    """Return the line from the centre along the main effects of one response, towards its requirement."""
    import numpy as np

    from doe.design.ascent import Line

    stored = _fresh(opened, FIT, "doe fit", "an ascent follows the main effects of a fit", plans)
    by_name = {one["response"]: one for one in stored["responses"]}
    name = _response(by_name, response)
    estimates = {one["label"]: one["estimate"] for one in by_name[name]["coefficients"]}
    sense = _sense(next(one for one in study.responses if one.name == name), estimates["intercept"])
    start, direction = np.zeros(len(study.factors)), np.zeros(len(study.factors))
    for place, factor in enumerate(study.factors):
        if factor.levels is None:
            direction[place] = sense * estimates.get(factor.name, 0.0)
        else:
            effects = [estimates.get(f"{factor.name} [{level}]", 0.0) for level in factor.levels[:-1]]
            start[place] = int(np.argmax(sense * np.array([*effects, -sum(effects)])))
    return Line(start, direction)


def _response(fitted: Mapping[str, Any], asked: str | None) -> str:
    names = list(fitted)
    if asked in names:
        return str(asked)
    if asked is None and len(names) == 1:
        return names[0]
    found = "several responses are fitted" if asked is None else f"'{asked}' is not fitted"
    raise InputRefused(
        Problem("--response", found, f"one of {', '.join(names) or 'none'}", "name the response that is to be improved")
    )


def _sense(response: "Response", level: float) -> float:
    """Return 1 where the response should rise and -1 where it should fall: towards its requirement or aim."""
    import math

    low, high = response.at_least, response.at_most
    if response.aim is not None:
        perfect = response.perfect_at
        low = None if response.aim == "minimise" else perfect
        high = None if response.aim == "maximise" else perfect
    if low is not None and high is not None:
        middle = (low + high) / 2
        return 1.0 if level < (math.log(middle) if response.transform == "log" else middle) else -1.0
    return 1.0 if high is None else -1.0


def _shown(study: "Study", made: "Design") -> Done:
    from doe.design.read import PLAN
    from doe.report import protocol, screens

    number = made.rounds[-1]
    new = made.of_round(number)
    loads = len({load for load in new["load"] if load})
    return Done(
        {
            "round": number,
            "prints": len(new),
            "loads": loads,
            "facts": made.facts,
            "verdicts": [one.as_data() for one in made.verdicts],
            "seed": int(new["seed"].iloc[0]),
            "file": PLAN,
            "next": "doe sheet",
        },
        (
            protocol.plan_facts(study, made),
            protocol.plan_table(study, replace(made, runs=new)),
            *screens.verdict_tables(made.verdicts),
        ),
        (
            *_particulars(study, made),
            f"Added round {number} to {PLAN}: {len(new)} prints"
            + (f" in {loads} new drying loads." if loads else ".")
            + " The rows of earlier rounds are as they were.",
            "Next: doe sheet",
        ),
    )


def _particulars(study: "Study", made: "Design") -> list[str]:
    """Say what only this kind of round has: its region, its steps, the aliases that it separates."""
    facts = made.facts
    units = {factor.name: factor.display_unit for factor in study.factors}
    found = [f"Separated: {pair}." for pair in facts.get("separated", [])]
    found += [f"Still one comparison for: {chain}." for chain in facts["aliases"]] if "separated" in facts else []
    ranges = [
        f"{name} {ends[0]:g} to {ends[1]:g} {units[name]}".rstrip()
        for name, ends in facts.get("region", {}).items()
        if not isinstance(ends[0], str)
    ]
    steps = [f"{name} {step:+.3g} {units[name]}".rstrip() for name, step in facts.get("steps", {}).items()]
    found += [f"Region: {', '.join(ranges)}."] if ranges else []
    return found + ([f"One step: {', '.join(steps)}, before rounding."] if steps else [])
