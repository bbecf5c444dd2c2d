"""The command by which a person releases a confirmed study: ``release``."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from doe.cli.confirmation_state import RELEASE, Trial, not_releasable, trial
from doe.cli.open_study import FIT, PAGE, RECOMMENDATION, REPORT, Done, OpenStudy, require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.errors import InputRefused, Problem
from doe.files import Folder, digest, dump_json, load_json

if TYPE_CHECKING:
    from doe.record.match import Record
    from doe.study.spec import Study


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(release)


def release(
    by: Annotated[
        str,
        typer.Option("--by", metavar="NAME", help="The person who answers for it; the name stands on page one of the report."),
    ],
    study: StudyOption = HERE,
    reason: Annotated[
        str,
        typer.Option(
            metavar="TEXT",
            help="Why to release although the result rests on values in doubt (an instrument that was due, what was marked "
            "suspect) or on days that cannot be. Release, report and status name them with the reason.",
        ),
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """
    Release a study that was confirmed: a person's decision.

    The release ends when anything that it rests on changes.

    For instance: doe release --by "Your Name"
    """
    show(released(require_begun(Folder(study)), by.strip(), reason.strip()), as_json)


def released(folder: Folder, by: str, reason: str = "") -> Done:
    """Release a confirmed study; what it rests on and is in doubt only for a reason."""
    from doe.files import stamp
    from doe.record.integrity import DRAFT, require_whole

    with folder.locked("release"):
        opened = OpenStudy(folder)
        require_whole(folder, besides=(REPORT, PAGE, DRAFT))
        study = opened.study()
        design, record = opened.design(study), opened.record_or_none(study)
        latest = trial(opened, design, record)
        problems = [*_unsigned(by), *not_releasable(latest)]
        doubts = [] if latest is None or record is None or problems else [*_doubts(folder, study, record, latest)]
        problems += _unreasoned(doubts, reason) if not problems else []
        if problems:
            raise InputRefused(problems)
        assert latest is not None and latest.judgement is not None
        number = latest.confirmation.number
        for name in (f"confirmation-{number}.json", f"judgement-{number}.json", RECOMMENDATION):
            opened.take(name)
        data = {
            "study": study.header.id,
            "by": by,
            "when": stamp(),
            "recommendation": latest.judgement.recommendation,
            "confirmation": number,
            "judgement_digest": digest(opened.take(f"judgement-{number}.json")),
            "settings": latest.confirmation.settings,
            "override": latest.confirmation.override,
            "simulated": study.header.simulated,
            **({"in_doubt": doubts, "reason": reason} if doubts else {}),
            "inputs": opened.inputs(),
        }
        told = {"by": by, "recommendation": data["recommendation"], "confirmation": number}
        opened.commit("release", {RELEASE: dump_json(data)}, **told, **({"reason": reason} if doubts else {}))
    return Done(
        data,
        lines=(
            f"{by} released recommendation {data['recommendation']}, confirmed by confirmation {number}.",
            *(f"Signed although {one}." for one in latest.judgement.remarks),
            *(f"Signed although {one}. Why: {reason}." for one in doubts),
            f"Wrote {RELEASE}. Any later change of study, plan, record or recommendation ends it.",
            f"The digest of the log's last line is {folder.log_head()}: hand it over apart from the study. "
            "'doe verify' shows it again, so that a log that was sealed anew is found out.",
            "Next: doe report",
        ),
    )


def _doubts(folder: Folder, study: "Study", record: "Record", latest: Trial) -> Iterator[str]:
    """Yield what the conclusion rests on and is in doubt: values of the first prints and of the confirmation, and days."""
    from doe.files import now
    from doe.recommend.doubted import doubted_values
    from doe.recommend.next_step import DOUBTS
    from doe.record.days import contradictions

    advised = load_json(RECOMMENDATION, folder.read(RECOMMENDATION), "verdicts")["verdicts"]
    fit = load_json(FIT, folder.read(FIT), "responses", "inputs") if folder.has(FIT) else {"responses": [], "inputs": None}
    fitted = [one for each in fit["responses"] for one in each["verdicts"]] if fit["inputs"] == latest.rests_on else []
    first = [f"{one['about']}: {one['name']} ({one['cause']})" for one in (*advised, *fitted) if one["name"] in DOUBTS]
    yield from dict.fromkeys(first)
    without = dict(() if latest.judgement is None else latest.judgement.without)
    mine = {one.print for one in latest.confirmation.prints} - without.keys()
    yield from (f"of the confirmation, {one}" for one in doubted_values(study, record, mine))
    yield from contradictions(record, record.prints["print"], now().date())
    yield from _clocks(folder)


def _clocks(folder: Folder) -> Iterator[str]:
    """Yield the lines of the log that are dated before what they follow, the line that a release is about to add among them."""
    from doe.files import stamp
    from doe.record.integrity import earlier_lines

    yield from earlier_lines(folder.log_texts())
    last, time = folder.log()[-1], stamp()
    if time < last["time"]:
        yield f"the clock says {time}, earlier than the last line of the log ('doe {last['command']}', {last['time']})"


def _unreasoned(doubts: list[str], reason: str) -> list[Problem]:
    if reason and not doubts:
        found = "given although nothing that the result rests on is in doubt"
        return [Problem("--reason", found, "a reason goes with values in doubt", "leave it out")]
    return [
        Problem(
            "release", one, "what a release rests on is sound, or named with a reason",
            "settle it first, in the record (doe collect) or in study.toml (doe amend), or sign for it with --reason TEXT",
        ) for one in doubts if not reason
    ]  # fmt: skip


def _unsigned(by: str) -> list[Problem]:
    if any(letter.isalnum() for letter in by) and by.isprintable():
        return []
    return [Problem("--by", f"'{by}' names nobody", "the name of the person who answers for it", "give it")]
