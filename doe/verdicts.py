"""Verdicts: what every stage says when the data cannot support an answer, or support it only in part."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Verdict:
    """A named finding with its cause and the one thing to do about it."""

    name: str
    """Short and stable, lower case: ``load variance not resolvable``."""
    cause: str
    """What in the plan or the data leads to it, with the figures."""
    next_step: str
    """What the engineer should do, one sentence."""
    about: str = ""
    """The response, factor or print it concerns; empty for the study as a whole."""

    def as_data(self) -> dict[str, str]:
        """Return the verdict as plain data for JSON."""
        return {"name": self.name, "about": self.about, "cause": self.cause, "next_step": self.next_step}


_VALUES = (
    "coupon out of line", "print out of line", "load out of line", "values in doubt decide", "values in doubt cannot be left out",
    "values in doubt", "the recommendation rests on values in doubt", "corrected values without a reason",
    "failed prints with values", "printer drifted", "probe overdue", "grades not repeatable", "no variation",
    "planned beyond a printer's limits",
)
"""Values that may be wrong: what follows from them is worth nothing until this is settled."""
_CONCLUSIONS = (
    # what the answer itself is
    "no setting meets every requirement", "no setting is worth anything", "estimate below the required share",
    "the recommendation depends on the model", "setpoint beyond the checks", "planned in spite of a doubt",
    "the prediction itself is not enough",
    # the model
    "model not estimable", "model predicts nothing", "no factor stands out", "lack of fit", "curvature",
    "a smaller model predicts otherwise", "no prediction of a new load", "one load decides", "one load alone holds up a term",
    "prints that decide their own prediction", "drift with run order", "rounds differ", "printers respond differently",
    "scatter grows with the mean", "scatter falls with the mean", "scatter not normal", "another scale fits better",
    "printers scatter unequally", "loads scatter unequally", "effects differ between grades", "limits left out",
    "limits not settled", "covariate tells", "covariate follows the settings", "covariate not told apart from the model",
    # settings that were not, or cannot be, what they are taken for
    "actual values not as planned", "readings off the setpoints", "prints beyond the checks", "settings beyond low and high",
    "illustrative drying values", "prints beyond the time out of the dryer", "load larger than its spools",
    "lined hot end near its end", "nozzle above what the material is advised for", "brass nozzle for fibres",
    "drying for days", "placeholders left", "calibration due before the last test",
    "plan made for the protocol before", "declaration changed after sheets were written",
    "checks changed after sheets were written", "covariate declared after sheets were written", "earlier round not collected",
    # nothing to conclude from
    "no values", "only limits", "every print failed", "no error degree of freedom", "no load error degree of freedom",
    "terms that cannot be told apart",
)
"""What makes the conclusion doubtful, or leaves none."""
_NOT_SHOWN = (
    "conformance not shown", "every requirement is met though the model predicts nothing", "optimum on the edge",
    "window narrower than the setpoint error", "one response decides", "prior-dependent bound", "loads not recorded",
    "responses that did not choose the setting", "a change for the worse may go unseen",
    "few load error degrees of freedom", "few error degrees of freedom", "no pure error", "terms nearly aliased",
    "coefficients hardly told apart", "prints on which a coefficient hangs alone", "one drying load, or loads not recorded",
    "one load per setting of what is fixed in a load", "fold-over separates nothing", "constraints empty a corner",
    "failed prints", "failed prints not judged", "failures not modelled", "earlier prints without a value", "no spread",
    "too few loads", "counted, not modelled", "grades not checked", "setpoint not checked", "uncertainty of the probe not stated",
    "scatter of the readings unknown", "readings too few", "readings too noisy", "prints without a reading",
    "covariate not fitted for want of values", "no spare prints for the covariate", "covariate values missing",
    "covariate leaves few loads", "declared model without squares", "more than the budget", "hot end not stated",
    "oven temperature not stated",
    "drying time is assumed", "oven temperature not stated", "drying ends when nobody is there",
)
"""What the study could not show, and what a plan must leave open."""
_REMARKS = (
    "variance not resolvable", "unequal coupon counts", "values that are only limits", "grades not seen",
    "average over the rounds", "bound at 95 %", "covariate did not vary", "covariate declared after the data",
    "rounding to increments", "axial points pulled in", "region ends at the range", "chosen for a larger model",
    "prints in the order of the line", "fewer prints than asked for", "starting points left as they were",
    "corrections without a reason",
)
"""What is good to know, with nothing to do about it or nothing that changes the answer."""
_RANKS = {name: rank for rank, names in enumerate((_VALUES, _CONCLUSIONS, _NOT_SHOWN, _REMARKS)) for name in names}
_LAST_GRAVE = 1


def rank(name: str) -> int:
    """
    Return how grave a verdict is by its name: 0 the values, 1 the conclusion, 2 what was not shown, 3 a remark.

    A name that begins or ends with a known one counts as that (``conformance not shown with 6 loads``).

    Raises
    ------
    KeyError
        Where no verdict has such a name.
    """
    if name not in _RANKS:
        name = next((known for known in _RANKS if name.startswith(f"{known} ") or name.endswith(f" {known}")), name)
    return _RANKS[name]


def ordered(verdicts: Iterable[Verdict]) -> tuple[Verdict, ...]:
    """Return verdicts with the gravest first, those of one rank as they come."""
    return tuple(sorted(verdicts, key=lambda one: _rank_or_first(one.name)))


def grave(verdicts: Iterable[Verdict]) -> tuple[Verdict, ...]:
    """Return those that make values or conclusions doubtful, the gravest first."""
    return tuple(one for one in ordered(verdicts) if _rank_or_first(one.name) <= _LAST_GRAVE)


def _rank_or_first(name: str) -> int:
    """Return the rank of a name; a file of an earlier version may hold another one, which is not hidden behind the others."""
    try:
        return rank(name)
    except KeyError:
        return 0
