"""Why a plan was chosen, for its line in the log: the reason in words, with the plans beside it as they were shown."""

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.design.compare import Candidate
    from doe.design.plan import Design
    from doe.design.request import PlanRequest
    from doe.report.planning import Outlook
    from doe.report.tables import Table
    from doe.study.spec import Study

_OWN = "this plan"


@dataclass(frozen=True)
class Why:
    """The reason for a plan, and tables of the plans beside it, as shown when it was made; either may be empty."""

    reason: str
    comparison: "tuple[Table, ...]" = ()

    def as_data(self) -> dict[str, Any]:
        """Return both as JSON values for the log: texts are rounded as they were shown."""
        return {"reason": self.reason, "comparison": [asdict(table) for table in self.comparison]}


def why(study: "Study", design: "Design", outlook: "Outlook", request: "PlanRequest | None") -> Why:
    """
    Say why a plan was chosen; one that was chosen for the engineer is set beside what else could be had for the purpose.

    Parameters
    ----------
    study : Study
    design : Design
        As it was made.
    outlook : Outlook
        What it will show and take.
    request : PlanRequest or None
        What was asked of it; None for a pilot and for a plan that was made elsewhere, which are set beside nothing.
    """
    from doe.design.compare import Candidate, Compared, compare
    from doe.report import planning

    reason = " ".join(design.facts.get("why", ()))
    if request is None:
        return Why(reason)
    if request.kind is not None:
        return Why(reason or f"Asked for by name: {request.kind.replace('-', ' ')}.")
    own = Compared(Candidate(_OWN, request), None, design, outlook.cost, outlook.data["days"], outlook.found)
    beside = compare(study, _others(study, request, len(design.of_round(design.rounds[-1]))))
    return Why(reason, planning.comparison_tables(study, (own, *beside), commands=False))


def sizes_for(study: "Study", request: "PlanRequest") -> "tuple[Candidate, ...]":
    """Return plans of the lean and the good size for what was asked, where no number of prints was given."""
    from doe.design import purpose
    from doe.design.compare import Candidate

    sizes = zip(("lean", "good"), purpose.proposals(study, request), strict=True)
    return tuple(
        Candidate(f"{name}: {size.prints} prints" + (f", {size.loads} loads" if size.loads else ""),
                  replace(request, prints=size.prints, loads=size.loads or None, one_round=True))
        for name, size in sizes
    )  # fmt: skip


def _others(study: "Study", request: "PlanRequest", prints: int) -> "tuple[Candidate, ...]":
    """Return the sizes that were proposed, where the budget gave none, and the usual families, which are quickly made."""
    from doe.design.compare import usual_candidates
    from doe.design.request import OPTIMAL

    sizes = sizes_for(study, request) if study.budget.prints is None else ()
    named = (one for one in usual_candidates(study, request) if one.request.kind not in (None, *OPTIMAL))
    return (*(one for one in sizes if one.request.prints != prints), *named)
