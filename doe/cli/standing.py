"""Where a study stands, told from its files alone, and the one command that comes next."""

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.cli import trial
from doe.cli.desk import FIT, RECOMMENDATION, REPORT, STUDY, Desk, Done
from doe.cli.steps import after_collect, after_fit
from doe.files import Folder, digest

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.study.spec import Study


@dataclass(frozen=True)
class Standing:
    """One line on what is there, and the next command."""

    state: str
    next: str


def status(folder: Folder) -> Done:
    """Say where the study stands; changes nothing."""
    with folder.settled("status"):
        found = _standing(folder)
    data = {"study": str(folder.path), "state": found.state, "next": found.next}
    return Done(data, lines=(found.state, f"Next: {found.next}"))


def _standing(folder: Folder) -> Standing:
    from doe.design.read import PLAN

    if not folder.has(STUDY):
        return Standing(f"There is no study in {folder.path.resolve()}.", "doe new DIR, or doe demo")
    desk = Desk(folder)
    study = desk.study()
    if not folder.has(PLAN):
        return Standing(f"{study.header.id}: declared, not planned.", "doe plan")
    design = desk.design(study)
    number = design.rounds[-1]
    record = desk.record_or_none(study)
    tried = trial.trial(desk, study, design, record)
    over = tried is None or tried.superseded or (tried.judgement is not None and number != tried.confirmation.round)
    if tried is not None and record is not None and not over:
        said, after = trial.stands(folder, tried, design, record)
        return Standing(f"{study.header.id}: {said}.", after)
    began = record is not None and bool((record.prints["round"] == number).any())
    several = len(design.rounds) > 1
    if not began and not folder.has(f"sheets/round-{number}.xlsx"):
        what = f"round {number} is planned" if several else "planned"
        return Standing(f"{study.header.id}: {what}, no workbook yet.", "doe sheet")
    if record is None or not began:
        what = f"the workbook of round {number}" if several else "the workbook"
        return Standing(f"{study.header.id}: {what} is out, nothing is collected.", "doe collect")
    ended, total = int((record.prints["outcome"] != "").sum()), len(design.runs)
    if design.only_pilot:
        state = f"{study.header.id}: {ended} of {total} prints of the pilot are recorded."
        return Standing(state, after_collect(design, record))
    rounds = f" in {len(design.rounds)} rounds" if several else ""
    progress = f"{study.header.id}: {ended} of {total} prints{rounds} are recorded"
    if tried is not None and tried.superseded:
        progress += f"; what confirmation {tried.confirmation.number} rests on changed, so that it no longer holds"
    inputs = desk.declared_inputs(study, design, record)
    found = _after_collect(folder, inputs, progress, whole=ended == total)
    return found if found.next else Standing(found.state, _after_report(folder, study, design))


def _after_report(folder: Folder, study: "Study", design: "Design") -> str:
    """Return what comes after the report: a further round where the budget has prints left, else what was recommended."""
    from doe.design.extend import left_of_budget

    prints, loads = left_of_budget(study, design)
    if not prints:
        return str(json.loads(folder.read(RECOMMENDATION))["next"])
    of_loads = f" in {loads} loads" if loads else ""
    return f"doe extend: {prints} prints{of_loads} of the budget are left for a round around the recommended setting"


def _after_collect(folder: Folder, inputs: dict[str, str], progress: str, *, whole: bool) -> Standing:
    """Return where a study stands whose latest round was collected; ``next`` is empty when the report is up to date."""
    fitted = json.loads(folder.read(FIT))["inputs"] == inputs if folder.has(FIT) else False
    if not fitted:
        after = "doe fit" if whole else "doe collect when more is filled in, or doe fit on what there is"
        return Standing(f"{progress}; not fitted since.", after)
    if not folder.has(RECOMMENDATION) or json.loads(folder.read(RECOMMENDATION))["inputs"] != inputs:
        return Standing(f"{progress} and fitted.", after_fit(bool(json.loads(folder.read(FIT))["responses"])))
    advised = json.loads(folder.read(RECOMMENDATION))
    if not folder.has(REPORT) or not _reported(folder):
        return Standing(f"{progress}, fitted, with recommendation {advised['number']}.", f"doe report, then {advised['next']}")
    return Standing(f"{progress}; {REPORT} holds recommendation {advised['number']}.", "")


def _reported(folder: Folder) -> bool:
    """Whether the report is the one that the log's last report wrote, from the recommendation that stands now."""
    for line in reversed(folder.log()):
        if line["command"] == "report":
            same = line["wrote"].get(REPORT) == digest(folder.read(REPORT))
            return bool(same and line["read"].get(RECOMMENDATION) == digest(folder.read(RECOMMENDATION)))
    return False
