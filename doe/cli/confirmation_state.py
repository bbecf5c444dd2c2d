"""Where the trial of a recommendation stands: from the latest confirmation to its release."""

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from doe.cli.open_study import RECOMMENDATION, OpenStudy
from doe.cli.progress import Progress
from doe.errors import Problem
from doe.files import Folder, digest, load_json, unreadable

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation, Judgement
    from doe.record.match import Record

T = TypeVar("T")

RELEASE = "release.json"
_SIGNED = ("by", "when", "judgement_digest", "inputs")
_ANEW = "run 'doe fit', 'doe recommend' and 'doe confirm' again, in this order"


@dataclass(frozen=True)
class Trial:
    """The latest confirmation with its judgement, where there is one, and what else a study says of it."""

    confirmation: "Confirmation"
    judgement: "Judgement | None"
    stale: tuple[str, ...]
    """Files that changed since it was judged, or since it was planned where it was not judged."""
    superseded: bool
    """Whether what it judges is no longer the latest recommendation, or no longer rests on what stands there now."""
    rests_on: dict[str, str]
    """Digests of what the declared fit rests on now."""
    again: dict[str, Any] | None = None
    """Why it holds although what it was planned from changed, where it was judged again; see ``doe.cli.judging``."""


def trial(opened: OpenStudy, design: "Design", record: "Record | None") -> Trial | None:
    """Return the latest confirmation whose round is in the plan, or None."""
    return latest_trial(opened.folder, design.confirmations, lambda: opened.declared_inputs(design, record))


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
    from doe.recommend.confirmation import Confirmation, Judgement

    planned = f"confirmation-{numbers[-1]}.json"
    found = _as_stored(Confirmation, planned, load_json(planned, folder.read(planned)))
    if found.round not in rounds:
        return None
    name = f"judgement-{found.number}.json"
    stored = load_json(name, folder.read(name), "verdict") if folder.has(name) else {}
    judgement, again, rests_on = _as_stored(Judgement, name, stored) if stored else None, stored.get("again"), inputs()
    known = (found.inputs, found.recommendation_digest) if again is None else (again["inputs"], again["recommendation_digest"])
    superseded = not folder.has(RECOMMENDATION) or (rests_on, digest(folder.read(RECOMMENDATION))) != known
    stale = () if judgement is None else tuple(_changed(folder, judgement))
    return Trial(found, judgement, stale, superseded, rests_on, again)


def _as_stored(kind: type[T], name: str, data: dict[str, Any]) -> T:
    """Return a confirmation or a judgement from the data in its file; refused where something is missing in them."""
    from doe.recommend.confirmation import restored

    try:
        return restored(kind, data)
    except (AttributeError, KeyError, TypeError, ValueError):
        raise unreadable(name) from None


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


def may_hold(folder: Folder, latest: Trial) -> bool:
    """
    Whether a confirmation that was handed out may hold again though what it rests on changed; ``doe confirm`` tells.

    It may where the latest recommendation was made from what stands there now, and has the setting that was tried.
    """
    if not folder.has(RECOMMENDATION) or not folder.has(f"sheets/round-{latest.confirmation.round}.xlsx"):
        return False
    advised = load_json(RECOMMENDATION, folder.read(RECOMMENDATION), "settings", "inputs")
    settings = {name: one["value"] for name, one in advised["settings"].items()}
    tried = {name: one["value"] for name, one in latest.confirmation.settings.items()}
    return bool(advised["inputs"] == latest.rests_on and settings == tried)


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
            _ANEW if latest.superseded else "run 'doe confirm' again",
        )
    if latest.superseded:
        yield Problem(
            f"confirmation-{latest.confirmation.number}.json",
            "it no longer judges the latest recommendation, or what that rests on changed",
            "what is released is the latest recommendation",
            _ANEW,
        )


def release_of(opened: OpenStudy, latest: Trial | None) -> dict[str, Any] | None:
    """Return the release where it still holds: of the latest confirmation, with its judgement and all files as they were."""
    if latest is None or not opened.folder.has(RELEASE) or next(not_releasable(latest), None) is not None:
        return None
    stored = load_json(RELEASE, opened.folder.read(RELEASE), *_SIGNED)
    judged = digest(opened.folder.read(f"judgement-{latest.confirmation.number}.json"))
    return stored if stored["judgement_digest"] == judged else None


def lapsed(opened: OpenStudy, latest: Trial | None) -> str:
    """Return by whom and when a study was released, when that ended and why; empty where there is no release, or it holds."""
    if not opened.folder.has(RELEASE) or release_of(opened, latest) is not None:
        return ""
    stored = load_json(RELEASE, opened.folder.read(RELEASE), *_SIGNED)
    ended = f"the release of {stored['when'][:10]} by {stored['by']} ended"
    known, lines = stored["inputs"], opened.folder.log()
    released = max((at for at, line in enumerate(lines) if line["command"] == "release"), default=len(lines))
    for line in lines[released + 1 :]:
        now = {**line["read"], **line["wrote"]}
        if changed := sorted(name for name in known if now.get(name, known[name]) != known[name]):
            return f"{ended} on {line['time'][:10]}, since {', '.join(changed)} changed (doe {line['command']})"
    changed = sorted(name for name in known if not opened.folder.has(name) or digest(opened.folder.read(name)) != known[name])
    return f"{ended}, since {', '.join(changed) or 'what it rests on'} changed"


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
    signed = release_of(OpenStudy(folder), latest)
    if signed is not None:
        reported = next(line["command"] for line in reversed(folder.log()) if line["command"] != "draft") == "report"
        after = "nothing: the study is released and reported" if reported else "doe report"
        although = f", although {'; '.join(signed['in_doubt'])}. Why: {signed['reason']}" if signed.get("in_doubt") else ""
        return f"{said}, and {signed['by']} released it on {signed['when'][:10]}{although}", after
    return f"{said}, not released" if latest.judgement.verdict == CONFIRMED else said, latest.judgement.next
