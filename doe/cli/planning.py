"""The steps before the first sheet: plan, compare plans, take over a plan made elsewhere, a pilot."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.cli.open_study import Done, OpenStudy
from doe.cli.steps import outside
from doe.cli.why_chosen import Why, sizes_for, why
from doe.errors import InputRefused, Problem
from doe.files import Folder, digest

if TYPE_CHECKING:
    import pandas as pd

    from doe.design.compare import Compared
    from doe.design.plan import Design
    from doe.design.request import PlanRequest
    from doe.report.planning import Outlook
    from doe.study.spec import Study


_NOTHING_LOST = Problem(
    "record/prints.csv", "no print of the plan was lost or skipped that is not planned anew already",
    "prints with one of these outcomes are printed again",
    "record the outcome first (doe collect); a failed print is a result, and stays",
)
_CONFIRMED = Problem(
    "plan.csv", "a confirmation is planned from the fit of what there is", "reprints come before it, since they change that fit",
    "where a print of the confirmation was lost, run 'doe confirm' for what can be said",
)  # fmt: skip


def plan(folder: Folder, request: "PlanRequest", *, replacing: bool = False) -> Done:
    """Plan the prints and lock the protocol; without a number of prints, propose two and write nothing."""
    from doe.design import purpose
    from doe.design.plan import plan_runs

    study = OpenStudy(folder).study()
    if purpose.needs_size(study, request):
        return _proposed(study, request)
    return _planned(
        folder, lambda study, pilot: plan_runs(study, request, pilot), {"seed": request.seed}, request, replacing=replacing
    )


def pilot(folder: Folder, seed: int, *, replacing: bool = False) -> Done:
    """Plan a few corner prints before drying loads are spent, and lock the protocol."""
    from doe.design.pilot import plan_pilot

    return _planned(
        folder, lambda study, _: plan_pilot(study, seed), {"seed": seed, "pilot": True}, replacing=replacing, first=True
    )


AS_WANTED = (
    "Its values count as actual values wanted, in the sense of each factor's range. Where the printers were set to something"
    " else, write that as used on the sheet Prints."
)


def adopt(folder: Folder, file: Path, *, replacing: bool = False) -> Done:
    """Take over a plan made elsewhere and lock the protocol."""
    from doe.design.adopt import adopt as take_over
    from doe.design.read import read_table

    content = outside(file)

    def taken(study: "Study", _: "pd.DataFrame | None") -> "Design":
        design = take_over(study, read_table(content, file.name), file.name)
        said = f"Taken over from {file.name}: a plan that was made elsewhere. {AS_WANTED}"
        return replace(design, facts={**design.facts, "why": (said,)})

    return _planned(
        folder,
        taken,
        {"from": file.name, "sha256": digest(content)},
        replacing=replacing,
        first=True,
    )


def reprint(folder: Folder, seed: int) -> Done:
    """Plan the prints that were lost anew; the record keeps the old ones."""
    from doe.design.read import PLAN, plan_text
    from doe.design.reprint import reprint as planned_anew
    from doe.record.lost import to_reprint
    from doe.report import tables

    with folder.locked("plan"):
        opened = OpenStudy(folder)
        study = opened.study()
        design, record = opened.design(study), opened.record(study)
        lost = list(to_reprint(design, record))
        if design.confirmations:
            raise InputRefused(_CONFIRMED)
        if not lost:
            raise InputRefused(_NOTHING_LOST)
        made = planned_anew(study, design, lost, seed)
        opened.commit("plan", {PLAN: plan_text(made)}, reprint=lost, round=made.rounds[-1], seed=seed)
    new = made.of_round(made.rounds[-1])
    loads = sum(name != "" for name in set(new["load"]))
    of_loads = f" on {loads} new drying load{'s' if loads > 1 else ''}" if loads else ""
    rows = tuple(zip(new["reprint_of"], new["print"], new["load"], new["printer"], strict=True))
    data = [dict(zip(("lost", "print", "load", "printer"), row, strict=True)) for row in rows]
    return Done(
        {"round": made.rounds[-1], "reprints": data, "seed": seed, "file": PLAN, "next": "doe sheet"},
        (tables.Table("Prints planned anew", ("Lost", "Printed anew as", "Load", "Printer"), rows, "llll"),),
        (f"Planned anew{of_loads}: {', '.join(lost)}. They count for the round that they were lost from.", "Next: doe sheet"),
    )


def compare(folder: Folder, written: list[str], request: "PlanRequest") -> Done:
    """Show several plans side by side; writes nothing."""
    from doe.design import compare as comparing
    from doe.design import purpose

    study = OpenStudy(folder).study()
    candidates = tuple(comparing.candidate_of(text, request) for text in written)
    if not candidates and purpose.needs_size(study, request):
        return _proposed(study, request)
    found = comparing.compare(study, candidates or comparing.usual_candidates(study, request))
    comparing.require_some(found)
    return _compared(study, found, ("Nothing was written. Choose by the numbers, then run the plan's command.",))


def _proposed(study: "Study", request: "PlanRequest") -> Done:
    from doe.design import compare as comparing
    from doe.report import planning

    candidates = sizes_for(study, request)
    commands = tuple(
        f"doe plan --prints {one.request.prints}" + (f" --loads {one.request.loads}" if one.request.loads else "")
        for one in candidates
    )
    found = comparing.compare(study, candidates)
    shown = [planning.shown_sentence(study, one) for one in found]
    lines = (*shown, "", "Nothing is planned yet: study.toml has no [budget] prints. Choose one:", *commands)
    done = _compared(study, found, lines)
    return replace(done, data={**done.data, "shows": shown, "next": list(commands)})


def _compared(study: "Study", found: "tuple[Compared, ...]", lines: tuple[str, ...]) -> Done:
    from doe.report import planning

    return Done({"candidates": [one.as_data() for one in found]}, planning.comparison_tables(study, found), lines)


def _planned(
    folder: Folder,
    make: "Callable[[Study, pd.DataFrame | None], Design]",
    detail: dict[str, Any],
    request: "PlanRequest | None" = None,
    *,
    replacing: bool,
    first: bool = False,
) -> Done:
    """
    Make a plan with ``make(study, rows of a pilot that stay)``; ``first`` where nothing may come before it.

    What was asked in ``request`` says what the plan is set beside.
    """
    from doe.design.read import PLAN, plan_text
    from doe.report import planning
    from doe.study import amend

    with folder.locked("plan"):
        opened = OpenStudy(folder)
        study = opened.study()
        design = make(study, _kept(opened, study, replacing=replacing, first=first))
        outlook = planning.outlook(study, design)
        chosen = why(study, design, outlook, request)
        opened.commit("plan", {PLAN: plan_text(design)}, protocol=amend.protocol(study), **detail, **chosen.as_data())
    return _shown(study, design, outlook, chosen)


def _kept(opened: OpenStudy, study: "Study", *, replacing: bool, first: bool) -> "pd.DataFrame | None":
    """Return the rows of a pilot that stay; a plan that must not be replaced is refused."""
    from doe.design.read import PLAN

    stands = opened.design(study) if opened.folder.has(PLAN) else None
    if stands is not None and not first and stands.only_pilot:
        return stands.runs
    if opened.folder.names("sheets/*.xlsx") or opened.folder.names("record/*.csv"):
        raise InputRefused(
            Problem(
                PLAN,
                "a sheet of it was written",
                "from then on the plan is frozen",
                "add prints with 'doe extend', or start a new study for another plan",
            )
        )
    if stands is not None and not replacing:
        raise InputRefused(
            Problem(
                PLAN,
                "there is a plan already",
                "another one would have other prints in another order",
                "use it (doe sheet), or throw it away with 'doe plan --replace'",
            )
        )
    return None


def _shown(study: "Study", design: "Design", outlook: "Outlook", chosen: Why) -> Done:
    from doe.design import calibrated, calibration_findings
    from doe.design.due import due_findings
    from doe.design.read import PLAN
    from doe.report import planning, protocol, screens
    from doe.study import heat, units
    from doe.study.placeholders import placeholder_verdicts

    lines, names = calibrated.lines_of(study), [one.name for one in study.printers]
    read = (*calibration_findings.unread_findings(study, names, lines), *calibration_findings.beyond_findings(study, design.runs))
    read += (*due_findings(study, design.of_round(design.rounds[-1])), *placeholder_verdicts(study))
    said = (*heat.heat_warnings(study), *units.drying_warnings(study), *design.verdicts, *outlook.verdicts, *read)
    return Done(
        {
            "prints": len(design.runs),
            "facts": design.facts,
            **outlook.data,
            **chosen.as_data(),
            "verdicts": [one.as_data() for one in said],
            "seed": int(design.runs["seed"].iloc[0]),
            "file": PLAN,
            "next": "doe sheet",
        },
        (
            *screens.verdict_tables(said),
            planning.with_quality(protocol.plan_facts(study, design), design.facts),
            *outlook.tables,
            *chosen.comparison,
            protocol.plan_table(study, design),
        ),
        (f"Wrote {PLAN}; the protocol is locked (change it with 'doe amend').", "Next: doe sheet"),
        tuple(design.facts.get("why", ())) or ((chosen.reason,) if chosen.reason else ()),
    )
