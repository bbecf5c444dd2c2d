"""Several candidate plans judged by the same figures, so that one is picked by what it will show."""

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, get_args

from doe.design import plan, power, timetable
from doe.design.effort import Effort, effort
from doe.design.plan import Design
from doe.design.purpose import choose, purpose_of
from doe.design.request import OPTIMAL, Kind, PlanRequest
from doe.errors import InputRefused, Problem
from doe.study import scale
from doe.study.spec import Study


@dataclass(frozen=True)
class Candidate:
    """A plan to be judged."""

    label: str
    request: PlanRequest

    @property
    def command(self) -> str:
        """The command that makes this plan."""
        asked = self.request
        words = ["doe plan"]
        words += [f"--kind {asked.kind}"] if asked.kind else []
        words += [f"--prints {asked.prints}"] if asked.prints else []
        words += [f"--loads {asked.loads}"] if asked.loads else []
        words += ["--one-round"] if asked.one_round else []
        usual = PlanRequest()
        for name in ("purpose", "resolution", "centre", "form", "distance", "replicates"):
            if getattr(asked, name) != getattr(usual, name):
                words.append(f"--{name} {getattr(asked, name)}")
        return " ".join([*words, f"--seed {asked.seed}"])


@dataclass(frozen=True)
class Compared:
    """A candidate with its figures, or with the reason why it cannot be had."""

    candidate: Candidate
    refused: str | None
    """Why it cannot be had; None where it can."""
    design: Design | None = None
    effort: Effort | None = None
    days: int = 0
    """Working days until the last test is done."""
    detectable: tuple[power.Detectable, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """Return the figures as plain data."""
        data: dict[str, Any] = {"label": self.candidate.label, "command": self.candidate.command, "refused": self.refused}
        if self.design is None or self.effort is None:
            return data
        return {
            **data,
            "prints": len(self.design.runs),
            "facts": self.design.facts,
            "effort": asdict(self.effort),
            "days": self.days,
            "detectable": [asdict(one) for one in self.detectable],
            "verdicts": [one.as_data() for one in self.design.verdicts],
        }


def compare(study: Study, candidates: Sequence[Candidate]) -> tuple[Compared, ...]:
    """
    Make every candidate and judge it.

    Parameters
    ----------
    study : Study
    candidates : sequence of Candidate

    Returns
    -------
    tuple of Compared
        In the same order; a candidate that cannot be had carries the reason.
    """
    return tuple(_judged(study, candidate) for candidate in candidates)


def require_some(found: Sequence[Compared]) -> None:
    """Refuse a comparison of which no plan can be had, with the reason of each."""
    if all(one.design is None for one in found):
        raise InputRefused(
            Problem(
                f"plan '{one.candidate.label}'", one.refused or "", "a plan that can be made", "change size, kind or study"
            )
            for one in found
        )


def _judged(study: Study, candidate: Candidate) -> Compared:
    try:
        design = plan.plan_runs(study, candidate.request)
    except InputRefused as error:
        return Compared(candidate, "; ".join(f"{one.found} ({one.allowed})" for one in error.problems))
    return Compared(
        candidate,
        None,
        design,
        effort(study, design.runs),
        timetable.days(study, design.runs),
        power.detectable(study, design.runs),
    )


def usual_candidates(study: Study, request: PlanRequest) -> tuple[Candidate, ...]:
    """Return what an engineer would weigh: the plan that would be chosen, with one round or two, and the usual families."""
    choice = choose(study, replace(request, kind=None))
    found = []
    if choice.held_back is not None:
        found.append(Candidate("two rounds, the first", replace(request, kind=None)))
    found.append(Candidate("all in one round" if found else "chosen for you", replace(request, kind=None, one_round=True)))
    curved = purpose_of(study, request) == "map"
    kinds: tuple[Kind, ...] = ("i-optimal", "central-composite") if curved else ("fractional", "plackett-burman")
    if any(scale.level_counts(study)) and not curved:
        kinds = ("factorial",)
    found += [Candidate(kind.replace("-", " "), _of_kind(request, kind)) for kind in kinds]
    return tuple(found)


def candidate_of(text: str, request: PlanRequest) -> Candidate:
    """
    Read a candidate as it is written on the command line: a kind, ``PRINTS/LOADS`` or ``PRINTS``, or both.

    Raises
    ------
    InputRefused
        Where the text is none of these.
    """
    matched = re.fullmatch(r"\s*([a-z-]+)?\s*(?:([1-9]\d{0,3})(?:/([1-9]\d{0,2}))?)?\s*", text)
    kinds = get_args(Kind)
    if matched is None or not any(matched.groups()) or matched[1] not in (None, *kinds):
        raise InputRefused(
            Problem(
                "--candidate",
                f"'{text}'",
                f"a kind ({', '.join(kinds)}), PRINTS/LOADS, or both",
                "write it like 'compound 24/6', '30/8' or 'central-composite'",
            )
        )
    written, prints, loads = matched.groups()
    kind: Kind | None = next((one for one in kinds if one == written), None)
    made = _of_kind(replace(request, one_round=True), kind) if kind else replace(request, kind=None, one_round=True)
    if prints:
        made = replace(made, prints=int(prints))
    if loads:
        made = replace(made, loads=int(loads))
    return Candidate(" ".join(text.split()), made)


def _of_kind(request: PlanRequest, kind: Kind) -> PlanRequest:
    return replace(request, kind=kind, prints=request.prints if kind in OPTIMAL else None)
