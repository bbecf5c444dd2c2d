"""Where a study stands, told from its files alone, with the one command that comes next."""

from dataclasses import dataclass

from doe.cli import confirmation_state
from doe.cli.open_study import DRAFT_FILE, FIT, RECOMMENDATION, REPORT, STUDY, Done, OpenStudy
from doe.cli.progress import PILOT_ROUND, Progress, after_collect, after_fit
from doe.cli.report_inputs import ONLY_SHOW
from doe.cli.status_facts import Facts, facts_by_log, facts_by_reading
from doe.files import Folder, digest, load_json


@dataclass(frozen=True)
class Standing:
    """One line on what is there, and the next command."""

    state: str
    next: str


def status(folder: Folder) -> Done:
    """Say where the study stands; changes nothing."""
    found = folder.undisturbed(lambda: _told_by_log(folder))
    if found is None:
        with folder.settled("status"):
            found = _told(folder, facts_by_reading(folder) if folder.has(STUDY) else None)
    return found


def _told_by_log(folder: Folder) -> Done | None:
    """Say it without any library and without a lock, where that can be."""
    seen = facts_by_log(folder) if folder.has(STUDY) else None
    return None if seen is None and folder.has(STUDY) else _told(folder, seen)


def _told(folder: Folder, seen: Facts | None) -> Done:
    found, drafted, ended = _standing(folder, seen), _drafted(folder), _lapsed(folder, seen)
    data = {"study": str(folder.path), "state": found.state, "next": found.next, "draft": drafted, "release_ended": ended or None}
    said = () if drafted is None else (_DRAFT_WORDS[drafted],)
    ends = (f"{ended[0].upper()}{ended[1:]}.",) if ended else ()
    return Done(data, lines=(found.state, *ends, *said, f"Next: {found.next}"))


def _lapsed(folder: Folder, seen: Facts | None) -> str:
    """Return what there is to say of a release that ended."""
    if seen is None or seen.progress is None or not folder.has(confirmation_state.RELEASE):
        return ""
    latest = confirmation_state.latest_trial(folder, seen.progress.confirmations, lambda: seen.inputs)
    return confirmation_state.lapsed(OpenStudy(folder), latest)


def _drafted(folder: Folder) -> str | None:
    """Return how a draft of the report stands to the study: current, outdated or altered; None where there is none."""
    if not folder.has(DRAFT_FILE):
        return None
    lines = folder.log()
    place = max((at for at, line in enumerate(lines) if line["command"] == "draft"), default=None)
    if place is None or lines[place]["wrote"].get(DRAFT_FILE) != digest(folder.read(DRAFT_FILE)):
        return "altered"
    after = {line["command"] for line in lines[place + 1 :]}
    if after - {*ONLY_SHOW}:
        return "outdated"
    return "reported" if "report" in after else "current"


_DRAFT_WORDS = {
    "current": "A draft of the report is there, of the study as it stands now (report-draft.pdf).",
    "outdated": "The draft of the report is outdated: the study went on since. 'doe report --draft' writes it anew.",
    "reported": "A draft of the report is there, older than the report itself: report-draft.pdf may be thrown away.",
    "altered": "A draft of the report is there that is not as doe wrote it. 'doe report --draft' writes it anew.",
}


def _standing(folder: Folder, seen: Facts | None) -> Standing:
    if seen is None:
        return Standing(f"There is no study in {folder.path.resolve()}.", "doe new DIR, or doe demo")
    progress = seen.progress
    if progress is None:
        return Standing(f"{seen.study}: declared, not planned.", _EDIT_FIRST if _is_as_made(folder) else "doe plan")
    number = progress.rounds[-1]
    tried = confirmation_state.latest_trial(folder, progress.confirmations, lambda: seen.inputs)
    over = tried is None or tried.superseded or (tried.judgement is not None and number != tried.confirmation.round)
    if tried is not None and progress.recorded is not None and not over:
        said, after = confirmation_state.stands(folder, tried, progress)
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


_EDIT_FIRST = f"edit {STUDY}, then doe plan"


def _is_as_made(folder: Folder) -> bool:
    """Whether nobody has touched the study file since ``doe new`` wrote it."""
    made = next((line["wrote"].get(STUDY) for line in folder.log() if line["command"] == "new"), None)
    return made == digest(folder.read(STUDY))


def _begun(folder: Folder, seen: Facts, progress: Progress, tried: "confirmation_state.Trial | None") -> Standing:
    """Return where a study stands whose latest round has begun to be collected."""
    ended, total = progress.ended(), len(progress.planned)
    if progress.only_pilot:
        state = f"{seen.study}: {ended} of {total} prints of the pilot are recorded."
        return Standing(state, after_collect(progress))
    said = f"{seen.study}: {ended} of {total} prints{_of_rounds(progress)} are recorded"
    if tried is not None and tried.superseded:
        said += f"; what confirmation {tried.confirmation.number} rests on changed, so that it no longer holds"
    if tried is not None and tried.superseded and confirmation_state.may_hold(folder, tried):
        return Standing(f"{said}, unless it comes out the same again", _LOOK_AGAIN)
    found = _after_collect(folder, seen, said, "doe fit" if ended == total else _while_printing(progress))
    return found if found.next else Standing(found.state, _after_report(folder, seen))


_LOOK_AGAIN = "doe confirm, which looks whether its prints can still judge this setting, or else plans new ones"


def _of_rounds(progress: Progress) -> str:
    """Return of what the prints are, where there is more than one round: a pilot, rounds that are fitted, confirmations."""
    if len(progress.rounds) < 2:
        return ""
    counts = {"round": len({one.round for one in progress.fitted}), "confirmation": len(progress.confirmations)}
    parts = [f"{count} {what}{'s' if count > 1 else ''}" for what, count in counts.items() if count]
    return f" in {' and '.join(parts)}{' and a pilot' if progress.rounds[0] == PILOT_ROUND else ''}"


def _while_printing(progress: Progress) -> str:
    """Return what comes next while prints are not recorded; without a print that is fitted there is nothing to fit."""
    some = progress.ended(progress.fitted)
    return "doe collect when more is filled in, or doe fit on what there is" if some else "doe collect when prints are filled in"


def _after_report(folder: Folder, seen: Facts) -> str:
    """Return what comes after the report: a further round where the budget has prints left, else what was recommended."""
    prints, loads = seen.left_of_budget()
    if not prints:
        return str(load_json(RECOMMENDATION, folder.read(RECOMMENDATION), "next")["next"])
    of_loads = f" in {loads} loads" if loads else ""
    return f"doe extend: {prints} prints{of_loads} of the budget are left for a round around the recommended setting"


def _after_collect(folder: Folder, seen: Facts, said: str, to_fit: str) -> Standing:
    """
    Return where a study stands whose latest round was collected; ``next`` is empty when the report is up to date.

    ``to_fit`` is what comes next where the record was not fitted since.
    """
    assert seen.progress is not None
    inputs, fit = seen.inputs, load_json(FIT, folder.read(FIT), "inputs", "responses") if folder.has(FIT) else None
    if fit is None or fit["inputs"] != inputs:
        return Standing(f"{said}; not fitted since.", to_fit)
    there = folder.has(RECOMMENDATION)
    advised = load_json(RECOMMENDATION, folder.read(RECOMMENDATION), "inputs", "number", "next") if there else None
    if advised is None or advised["inputs"] != inputs:
        return Standing(f"{said} and fitted.", after_fit(bool(fit["responses"]), seen.progress))
    if not folder.has(REPORT) or not _reported(folder):
        return Standing(f"{said}, fitted, with recommendation {advised['number']}.", f"doe report, then {advised['next']}")
    return Standing(f"{said}; {REPORT} holds recommendation {advised['number']}.", "")


def _reported(folder: Folder) -> bool:
    """Whether the report is the one that the log's last report wrote, from the recommendation that stands now."""
    for line in reversed(folder.log()):
        if line["command"] == "report":
            same = line["wrote"].get(REPORT) == digest(folder.read(REPORT))
            return bool(same and line["read"].get(RECOMMENDATION) == digest(folder.read(RECOMMENDATION)))
    return False
