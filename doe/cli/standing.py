"""Where a study stands, told from its files alone, and the one command that comes next."""

import json
from dataclasses import dataclass

from doe.cli.steps import FIT, RECOMMENDATION, REPORT, STUDY, Desk, Done
from doe.files import Folder, digest


@dataclass(frozen=True)
class Standing:
    """One line on what is there, and the next command."""

    state: str
    next: str


def status(folder: Folder) -> Done:
    """Say where the study stands; changes nothing."""
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
    number = desk.design(study).rounds[-1]
    if not folder.has(f"sheets/round-{number}.xlsx") and not folder.names("record/*.csv"):
        return Standing(f"{study.header.id}: planned, no workbook yet.", "doe sheet")
    record = desk.record_or_none(study)
    if record is None:
        return Standing(f"{study.header.id}: the workbook is out, nothing is collected.", "doe collect")
    ended = int((record.prints["outcome"] != "").sum())
    progress = f"{study.header.id}: {ended} of {len(record.prints)} prints are recorded"
    return _after_collect(folder, desk, progress, whole=ended == len(record.prints))


def _after_collect(folder: Folder, desk: Desk, progress: str, *, whole: bool) -> Standing:
    fitted = json.loads(folder.read(FIT))["inputs"] == desk.inputs() if folder.has(FIT) else False
    if not fitted:
        after = "doe fit" if whole else "doe collect when more is filled in, or doe fit on what there is"
        return Standing(f"{progress}; not fitted since.", after)
    if not folder.has(RECOMMENDATION) or json.loads(folder.read(RECOMMENDATION))["inputs"] != desk.inputs():
        return Standing(f"{progress} and fitted.", "doe recommend")
    advised = json.loads(folder.read(RECOMMENDATION))
    if not folder.has(REPORT) or not _reported(folder):
        return Standing(f"{progress}, fitted, with recommendation {advised['number']}.", "doe report")
    return Standing(f"{progress}; {REPORT} holds recommendation {advised['number']}.", advised["next"])


def _reported(folder: Folder) -> bool:
    """Whether the report is the one that the log's last report wrote, from the recommendation that stands now."""
    for line in reversed(folder.log()):
        if line["command"] == "report":
            same = line["wrote"].get(REPORT) == digest(folder.read(REPORT))
            return bool(same and line["read"].get(RECOMMENDATION) == digest(folder.read(RECOMMENDATION)))
    return False
