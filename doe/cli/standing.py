"""Where a study stands, told from its files alone, with the one command that comes next."""

import json
from dataclasses import dataclass

from doe.cli import trial
from doe.cli.desk import DRAFT_FILE, FIT, RECOMMENDATION, REPORT, STUDY, Done
from doe.cli.filing import SHADOWS
from doe.cli.glance import Seen, glance, read_whole
from doe.cli.progress import Progress, after_collect, after_fit
from doe.files import Folder, digest


@dataclass(frozen=True)
class Standing:
    """One line on what is there, and the next command."""

    state: str
    next: str


def status(folder: Folder) -> Done:
    """Say where the study stands; changes nothing."""
    found = folder.undisturbed(lambda: _glanced(folder))
    if found is None:
        with folder.settled("status"):
            found = _told(folder, read_whole(folder) if folder.has(STUDY) else None)
    return found


def _glanced(folder: Folder) -> Done | None:
    """Say it without any library and without a lock, where that can be."""
    seen = glance(folder) if folder.has(STUDY) else None
    return None if seen is None and folder.has(STUDY) else _told(folder, seen)


def _told(folder: Folder, seen: Seen | None) -> Done:
    found, drafted = _standing(folder, seen), _drafted(folder)
    data = {"study": str(folder.path), "state": found.state, "next": found.next, "draft": drafted}
    said = () if drafted is None else (_DRAFT_WORDS[drafted],)
    return Done(data, lines=(found.state, *said, f"Next: {found.next}"))


def _drafted(folder: Folder) -> str | None:
    """Return how a draft of the report stands to the study: current, outdated or altered; None where there is none."""
    if not folder.has(DRAFT_FILE):
        return None
    lines = folder.log()
    place = max((at for at, line in enumerate(lines) if line["command"] == "draft"), default=None)
    if place is None or lines[place]["wrote"].get(DRAFT_FILE) != digest(folder.read(DRAFT_FILE)):
        return "altered"
    after = {line["command"] for line in lines[place + 1 :]}
    if after - {*SHADOWS}:
        return "outdated"
    return "reported" if "report" in after else "current"


_DRAFT_WORDS = {
    "current": "A draft of the report is there, of the study as it stands now (report-draft.pdf).",
    "outdated": "The draft of the report is outdated: the study went on since. 'doe report --draft' writes it anew.",
    "reported": "A draft of the report is there, older than the report itself: report-draft.pdf may be thrown away.",
    "altered": "A draft of the report is there that is not as doe wrote it. 'doe report --draft' writes it anew.",
}


def _standing(folder: Folder, seen: Seen | None) -> Standing:
    if seen is None:
        return Standing(f"There is no study in {folder.path.resolve()}.", "doe new DIR, or doe demo")
    progress = seen.progress
    if progress is None:
        return Standing(f"{seen.study}: declared, not planned.", "doe plan")
    number = progress.rounds[-1]
    tried = trial.latest_trial(folder, progress.confirmations, lambda: seen.inputs)
    over = tried is None or tried.superseded or (tried.judgement is not None and number != tried.confirmation.round)
    if tried is not None and progress.recorded is not None and not over:
        said, after = trial.stands(folder, tried, progress)
        return Standing(f"{seen.study}: {said}.", after)
    began = progress.began(number)
    several = len(progress.rounds) > 1
    if not began and not folder.has(f"sheets/round-{number}.xlsx"):
        what = f"round {number} is planned" if several else "planned"
        return Standing(f"{seen.study}: {what}, no workbook yet.", "doe sheet")
    if not began:
        what = f"the workbook of round {number}" if several else "the workbook"
        return Standing(f"{seen.study}: {what} is out, nothing is collected.", "doe collect")
    return _begun(folder, seen, progress, tried)


def _begun(folder: Folder, seen: Seen, progress: Progress, tried: "trial.Trial | None") -> Standing:
    """Return where a study stands whose latest round has begun to be collected."""
    ended, total = progress.ended(), len(progress.planned)
    if progress.only_pilot:
        state = f"{seen.study}: {ended} of {total} prints of the pilot are recorded."
        return Standing(state, after_collect(progress))
    rounds = f" in {len(progress.rounds)} rounds" if len(progress.rounds) > 1 else ""
    said = f"{seen.study}: {ended} of {total} prints{rounds} are recorded"
    if tried is not None and tried.superseded:
        said += f"; what confirmation {tried.confirmation.number} rests on changed, so that it no longer holds"
    found = _after_collect(folder, seen.inputs, said, whole=ended == total)
    return found if found.next else Standing(found.state, _after_report(folder, seen))


def _after_report(folder: Folder, seen: Seen) -> str:
    """Return what comes after the report: a further round where the budget has prints left, else what was recommended."""
    prints, loads = seen.left_of_budget()
    if not prints:
        return str(json.loads(folder.read(RECOMMENDATION))["next"])
    of_loads = f" in {loads} loads" if loads else ""
    return f"doe extend: {prints} prints{of_loads} of the budget are left for a round around the recommended setting"


def _after_collect(folder: Folder, inputs: dict[str, str], progress: str, *, whole: bool) -> Standing:
    """Return where a study stands whose latest round was collected; ``next`` is empty when the report is up to date."""
    fit = json.loads(folder.read(FIT)) if folder.has(FIT) else None
    if fit is None or fit["inputs"] != inputs:
        after = "doe fit" if whole else "doe collect when more is filled in, or doe fit on what there is"
        return Standing(f"{progress}; not fitted since.", after)
    advised = json.loads(folder.read(RECOMMENDATION)) if folder.has(RECOMMENDATION) else None
    if advised is None or advised["inputs"] != inputs:
        return Standing(f"{progress} and fitted.", after_fit(bool(fit["responses"])))
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
