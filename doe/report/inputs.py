"""Everything that a report rests on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from doe.design.plan import Design
from doe.model.measured import Fitted
from doe.model.results import Fit
from doe.recommend.bounds import Chosen
from doe.recommend.confirmation import Confirmation, Judgement
from doe.recommend.results import Recommendation
from doe.record.match import Record
from doe.report import views
from doe.study.spec import Study


@dataclass(frozen=True)
class TrialState:
    """What became of the recommendation: its confirmation, the judgement, and the release."""

    confirmation: Confirmation | None = None
    judgement: Judgement | None = None
    release: Mapping[str, Any] | None = None
    """As ``release.json`` holds it, where it still holds."""
    ended: bool = False
    """Whether something that the judgement rests on changed since."""
    again: str = ""
    """Why its prints were judged again by the plan as it was made, where what that was made from changed; else empty."""
    lapsed: str = ""
    """Of a release that ended: by whom and when, when that ended and why; empty where there is none, or it holds."""


@dataclass(frozen=True)
class Issued:
    """One revision of the report, as the log knows it."""

    number: int
    prepared_at: str
    """Time of the last line of the log that it covers, ISO 8601."""
    study_digest: str
    """SHA-256 over the files that it carries; empty where the log does not hold it."""
    log_head: str
    """SHA-256 of the last line of the log that it covers."""
    since: Sequence[Mapping[str, Any]]
    """Lines of the log that it covers and the revision before it does not."""


@dataclass(frozen=True)
class Revision:
    """Which report of a study this is, those before it, and what happened since the last of them."""

    number: int = 1
    since: Sequence[Mapping[str, Any]] = ()
    """Lines of the log after the report before this one; empty for the first."""
    earlier: tuple[Issued, ...] = ()
    """The revisions before this one, oldest first."""


@dataclass(frozen=True)
class Draft:
    """What makes a report a draft: it is written before all of the study is there."""

    missing: tuple[tuple[str, str], ...]
    """What is not there yet, and what to do about it."""
    next: str
    """The command that comes next."""
    fitted: bool
    """Whether there is a fit of what is recorded now; without one the models are left out."""


@dataclass(frozen=True)
class ReportInputs:
    """
    Everything the report rests on.

    Parameters
    ----------
    study : Study
        Gives the question.
    design : Design
        Gives the plan, all rounds.
    record : Record
        Gives what happened.
    fit : Fit
        Gives the models and the summaries.
    recommendation : Recommendation or None
        Gives the answer; None where there is none yet.
    predict : mapping of str to callable
        Per measured response, the predicted mean at natural settings.
    interval : mapping of str to callable
        Per measured response, the confidence interval of the mean at natural settings; may be empty.
    cautions : tuple of str
        Those of the material's family.
    log : sequence of mapping
        Lines of the log, oldest first.
    log_head : str
        SHA-256 of the log's last line.
    files : mapping of str to str
        File -> SHA-256; ``study.toml`` among them.
    versions : mapping of str to str
        Software -> version.
    prepared_at : str
        ISO 8601 date and time; the only clock of the report.
    attachments : mapping of str to bytes
        Files of the study that the report carries inside, UTF-8 text.
    revision : Revision
        Which report of the study this is, and what happened since the one before.
    """

    study: Study
    design: Design
    record: Record
    fit: Fit
    recommendation: Recommendation | None
    predict: Mapping[str, views.Predict]
    cautions: tuple[str, ...]
    log: Sequence[Mapping[str, Any]]
    log_head: str
    files: Mapping[str, str]
    versions: Mapping[str, str]
    prepared_at: str
    interval: Mapping[str, views.Interval] = field(default_factory=dict)
    trial: TrialState = TrialState()
    fitted: Sequence[Fitted] = ()
    """The measured responses with their arrays, from which a page computes."""
    attachments: Mapping[str, bytes] = field(default_factory=dict)
    revision: Revision = Revision()
    draft: Draft | None = None
    """What is missing, in a draft; None in a report."""
    chosen: Chosen | None = None
    """What the recommendation was chosen from and by; None where it was not by requirements."""
