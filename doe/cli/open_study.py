"""An open study: what a step reads of its folder before it starts, or shows when it ends."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from doe import __version__
from doe.errors import InputRefused, Problem
from doe.files import Folder, digest, load_json

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.record.match import Record
    from doe.report.tables import Table
    from doe.study.spec import Study

STUDY = "study.toml"
PLAN_FILE, DRAFT_FILE = "plan.csv", "report-draft.pdf"
"""As ``doe.design.read`` and ``doe.record.integrity`` name them, here so that looking whether they are there reads no library."""
FIT, EXPLORATORY = "fit.json", "fit-exploratory.json"
RECOMMENDATION = "recommendation.json"
REPORT, PAGE = "report.pdf", "report.html"


_NO_PLAN = "the study has no plan yet", "doe plan"
_NO_RECORD = Problem("record/", "nothing was collected yet", "results come from a filled workbook", "run 'doe collect'")


@dataclass(frozen=True)
class Done:
    """What a step has to show: data for ``--json``; tables and sentences for people."""

    data: dict[str, Any]
    tables: tuple["Table", ...] = ()
    lines: tuple[str, ...] = ()
    opening: tuple[str, ...] = ()
    """Sentences that come before the tables."""


@dataclass
class OpenStudy:
    """An open study: its folder and everything read from it so far."""

    folder: Folder
    read: dict[str, bytes] = field(default_factory=dict)

    def take(self, name: str) -> bytes:
        """Read a file of the study and remember what was read."""
        if name not in self.read:
            self.read[name] = self.folder.read(name)
        return self.read[name]

    def study(self, *, changed: bool = False) -> "Study":
        """Return the study; a protocol that differs from the locked one is refused unless a change is expected."""
        from doe.study import amend, read

        if not self.folder.has(STUDY):
            raise InputRefused(no_study(self.folder))
        study, self.read[STUDY] = read.read_study(self.folder)
        if not changed:
            amend.require_unchanged(study, self.folder.log())
        return study

    def design(self, study: "Study") -> "Design":
        """Return the plan; without one the remedy is named."""
        from doe.design.read import PLAN, read_plan

        self.require(PLAN, *_NO_PLAN)
        return read_plan(self.take(PLAN), study)

    def record(self, study: "Study") -> "Record":
        """Return the record; without one the remedy is named."""
        record = self.record_or_none(study)
        if record is None:
            raise InputRefused(_NO_RECORD)
        return record

    def sound_record(self, study: "Study") -> "Record":
        """Return the record to compute from; one that was altered outside the tool is refused, with each file and the remedy."""
        from doe.record.integrity import require_record

        require_record(self.folder)
        return self.record(study)

    def record_or_none(self, study: "Study") -> "Record | None":
        """Return the record, or None where nothing was collected yet."""
        from doe.record import read_tables

        return read_tables.read_record({name: self.take(name) for name in self.folder.names("record/*.csv")}, study)

    def declared(self, study: "Study") -> frozenset[str]:
        """Return the covariates that were declared before the data."""
        from doe.study import amend

        return amend.declared_before_data(study, self.folder.log())

    def inputs(self) -> dict[str, str]:
        """Return the digest of each file read so far."""
        return {name: digest(content) for name, content in sorted(self.read.items())}

    def declared_inputs(self, design: "Design", record: "Record | None") -> dict[str, str]:
        """
        Return the digests of what the declared fit rests on: study, plan and record as if no confirmation were there.

        Equal to :meth:`inputs` for as long as nothing but confirmations was added to them.
        """
        from doe.design.read import PLAN, plan_text
        from doe.record.declared import without_confirmations
        from doe.record.read_tables import record_files

        if not design.confirmations or record is None:
            return self.inputs()
        before, rest = without_confirmations(design, record)
        files = {STUDY: self.take(STUDY), PLAN: plan_text(before), **record_files(rest)}
        return {name: digest(content) for name, content in sorted(files.items())}

    def fitted_inputs(self, design: "Design", record: "Record") -> dict[str, str]:
        """Return the digests of what the declared fit rests on; refused where the fit was made from anything else."""
        inputs = self.declared_inputs(design, record)
        self.require(FIT, "the record has not been fitted yet", "doe fit")
        if load_json(FIT, self.take(FIT), "inputs")["inputs"] != inputs:
            raise InputRefused(
                Problem(
                    FIT,
                    "the study or the record changed since it was made",
                    "a fit of what stands there now",
                    "run 'doe fit' again",
                )
            )
        return inputs

    def commit(self, command: str, writes: Mapping[str, bytes], **detail: Any) -> None:  # noqa: ANN401
        """Write the step's files and its line in the log."""
        self.folder.commit(command, writes, reads=self.read, version=__version__, detail=detail)

    def require(self, name: str, found: str, command: str) -> None:
        """Refuse to go on without a file of the study, and name the command that makes it."""
        if not self.folder.has(name):
            raise InputRefused(_missing(name, found, command))


def require_begun(folder: Folder, *, planned: bool = True, collected: bool = False) -> Folder:
    """
    Refuse a folder without a study, a plan or a record before any library is loaded for them; else return it.

    One that another command works on, or was interrupted in, is left to be looked at under its lock.
    """

    def lacking() -> Problem | None:
        if not folder.has(STUDY):
            return no_study(folder)
        folder.log()  # a damaged one is named before anything that rests on it
        if planned and not folder.has(PLAN_FILE):
            return _missing(PLAN_FILE, *_NO_PLAN)
        return _NO_RECORD if collected and not folder.names("record/*.csv") else None

    problem = folder.undisturbed(lacking)
    if problem is not None:
        raise InputRefused(problem)
    return folder


def no_study(folder: Folder) -> Problem:
    """Return what there is to say of a folder without a study."""
    return Problem(
        str(folder.path),
        f"there is no {STUDY} in it",
        "a study folder holds one",
        "go to the study's folder, name it with --study, or make one with 'doe new'",
    )


def _missing(name: str, found: str, command: str) -> Problem:
    return Problem(name, found, "this step needs it", f"run '{command}' first")
