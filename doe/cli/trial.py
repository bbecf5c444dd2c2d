"""Where the trial of a recommendation stands: from the latest confirmation to its release."""

import json
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doe.cli.desk import RECOMMENDATION, Desk
from doe.cli.progress import Progress
from doe.errors import Problem
from doe.files import Folder, digest

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation, Judgement
    from doe.record.match import Record
    from doe.study.spec import Study

RELEASE = "release.json"


@dataclass(frozen=True)
class Trial:
    """The latest confirmation with its judgement, where there is one, and what else a study says of it."""

    confirmation: "Confirmation"
    judgement: "Judgement | None"
    stale: tuple[str, ...]
    """Files that changed since it was judged, or since it was planned where it was not judged."""
    superseded: bool
    """Whether what it judges is no longer the latest recommendation, or no longer rests on what stands there now."""


def trial(desk: Desk, study: "Study", design: "Design", record: "Record | None") -> Trial | None:
    """Return the latest confirmation whose round is in the plan, or None."""
    return latest_trial(desk.folder, design.confirmations, lambda: desk.declared_inputs(study, design, record))


def latest_trial(folder: Folder, rounds: Collection[int], inputs: Callable[[], dict[str, str]]) -> Trial | None:
    """
    Return the latest confirmation whose round is in the plan, or None.

    Parameters
    ----------
    folder : Folder
    rounds : collection of int
        Of the plan, those that confirm a recommendation.
    inputs : callable
        Gives the digests of what the declared fit rests on now.
    """
    numbers = numbers_of(folder, "confirmation")
    if not numbers:
        return None
    from doe.recommend.confirmation import Confirmation, Judgement, restored

    found = restored(Confirmation, json.loads(folder.read(f"confirmation-{numbers[-1]}.json")))
    if found.round not in rounds:
        return None
    name = f"judgement-{found.number}.json"
    judgement = restored(Judgement, json.loads(folder.read(name))) if folder.has(name) else None
    superseded = inputs() != found.inputs or not folder.has(RECOMMENDATION)
    superseded = superseded or digest(folder.read(RECOMMENDATION)) != found.recommendation_digest
    return Trial(found, judgement, () if judgement is None else tuple(_changed(folder, judgement)), superseded)


def _changed(folder: Folder, judgement: "Judgement") -> Iterator[str]:
    """Yield the files that are not as they were when the confirmation was judged."""
    for name, known in judgement.inputs.items():
        if not folder.has(name) or digest(folder.read(name)) != known:
            yield name


def numbers_of(folder: Folder, kind: str) -> list[int]:
    """Return the numbers of the files ``KIND-NUMBER.json``, ascending."""
    found = (name.removeprefix(f"{kind}-").removesuffix(".json") for name in folder.names(f"{kind}-*.json"))
    return sorted(int(text) for text in found if text.isdigit())


def handed_out(folder: Folder, progress: Progress, latest: Trial) -> bool:
    """Whether the sheet of a confirmation is written, or prints of it are recorded."""
    number = latest.confirmation.round
    return folder.has(f"sheets/round-{number}.xlsx") or progress.began(number)


def not_releasable(latest: Trial | None) -> Iterator[Problem]:
    """Yield every reason why the study cannot be released."""
    from doe.recommend.confirmation import CONFIRMED

    allowed = "a person releases what data have confirmed"
    if latest is None:
        yield Problem("confirmation", "there is none", allowed, "run 'doe confirm'")
        return
    where = f"judgement-{latest.confirmation.number}.json"
    if latest.judgement is None:
        yield Problem(
            where, "the confirmation is not judged yet", allowed, "collect its prints, then run 'doe confirm'"
        )
    elif latest.judgement.verdict != CONFIRMED:
        yield Problem(where, f"it says '{latest.judgement.verdict}'", allowed, latest.judgement.next)
    if latest.stale:
        yield Problem(
            where,
            f"changed since it was judged: {', '.join(latest.stale)}",
            "what is released is what was judged",
            "run 'doe confirm' again",
        )
    if latest.superseded:
        yield Problem(
            f"confirmation-{latest.confirmation.number}.json",
            "it no longer judges the latest recommendation, or what that rests on changed",
            "what is released is the latest recommendation",
            "run 'doe recommend' and 'doe confirm' again",
        )


def release_of(desk: Desk, latest: Trial | None) -> dict[str, Any] | None:
    """Return the release where it still holds: of the latest confirmation, with its judgement and all files as they were."""
    if latest is None or not desk.folder.has(RELEASE) or next(not_releasable(latest), None) is not None:
        return None
    stored: dict[str, Any] = json.loads(desk.folder.read(RELEASE))
    judged = digest(desk.folder.read(f"judgement-{latest.confirmation.number}.json"))
    return stored if stored["judgement_digest"] == judged else None


# Where it stands


def stands(folder: Folder, latest: Trial, progress: Progress) -> tuple[str, str]:
    """Return one line on a confirmation, and the next command."""
    from doe.recommend.confirmation import CONFIRMED

    known, name = latest.confirmation, f"confirmation {latest.confirmation.number}"
    if latest.judgement is None:
        if not handed_out(folder, progress, latest):
            return f"{name} is planned as round {known.round}, no workbook yet", "doe sheet"
        ended = sum(one.round == known.round and one.outcome != "" for one in progress.recorded or ())
        if not ended:
            return f"the workbook of {name} is out, nothing is collected", "doe collect"
        if ended < len(known.prints):
            return f"{ended} of {len(known.prints)} prints of {name} are recorded", "doe collect when more is filled in"
        return f"the prints of {name} are recorded, not judged", "doe confirm"
    said = f"recommendation {latest.judgement.recommendation} is {latest.judgement.verdict} ({name})"
    if latest.stale:
        return f"{said}, but {', '.join(latest.stale)} changed since", "doe confirm"
    signed = release_of(Desk(folder), latest)
    if signed is not None:
        reported = next(line["command"] for line in reversed(folder.log()) if line["command"] != "draft") == "report"
        after = "nothing: the study is released and reported" if reported else "doe report"
        return f"{said}, and {signed['by']} released it on {signed['when'][:10]}", after
    return f"{said}, not released" if latest.judgement.verdict == CONFIRMED else said, latest.judgement.next
