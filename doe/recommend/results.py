"""The recommendation as frozen values: what ``recommendation.json``, the terminal or the report show."""

from dataclasses import asdict, dataclass, field
from typing import Any

from doe.recommend.desirable import Desirable
from doe.recommend.location import Locations
from doe.recommend.window import Window
from doe.study.shares import percent, percent_bound
from doe.verdicts import Verdict

_NEVER_ALL = 1e-6


MEASURED_LEVEL = 0.95
"""At which the bound's coverage was measured; lower where one response decides."""


def predicted(share: float) -> str:
    """Return a predicted share as a percentage: no model promises all or none, though its last digit may round to it."""
    return percent(min(max(share, _NEVER_ALL), 1 - _NEVER_ALL))


def predicted_bound(share: float) -> str:
    """Return a lower bound of a predicted share as a percentage, rounded down."""
    return percent_bound(min(max(share, _NEVER_ALL), 1 - _NEVER_ALL))


@dataclass(frozen=True)
class Setting:
    """One factor's recommended value."""

    factor: str
    unit: str
    value: float | str
    interval: tuple[float, float] | tuple[str, ...]
    """Near-optimal settings of this factor, the others held: low and high in the factor's unit, or the levels. In half of the
    posterior draws or more, such a setting loses at most 0.02 of the recommended one's conformance."""


@dataclass(frozen=True)
class Tolerance:
    """Limits of a share of future values of one response at the setting, each one-sided; from the draws of the conformance."""

    share: float
    of: str
    """What the values are: ``coupon`` or ``print mean``."""
    level: float
    """One-sided confidence of each limit, or more."""
    lower: float | None
    """With this confidence at least the share lies above it; None where the requirement has no lower limit."""
    upper: float | None


@dataclass(frozen=True)
class Beside:
    """What stands beside the conformance at the setting: the chance that prints complete, or that a judged response is met."""

    what: str
    """``completion``, or the name of a graded or pass-fail response."""
    of: str
    """In words what the chance is of."""
    chance: float
    low: float
    high: float
    lower: float | None
    """One-sided bound at the level of the study; None where there is none but ``low``."""


@dataclass(frozen=True)
class Promise:
    """What one measured response is predicted to be at the setting."""

    response: str
    unit: str
    mean: float
    """With ``transform = "log"`` the median of the response."""
    mean_interval: tuple[float, float]
    """Wide enough for a setting that was chosen by its predictions."""
    prediction_interval: tuple[float, float]
    """A new print (its mean over coupons) on a new drying load, for the average of the printers and not for any one of them."""
    requirement: str
    """In words: ``at least 27 MPa on each coupon``."""
    meets: str
    """``yes``: the whole mean interval meets the requirement; ``no``: none of it does; else ``not shown``. Empty with an aim."""
    by_printer: tuple[dict[str, object], ...]
    """One row a printer: ``printer``, ``mean``, ``mean_interval``, ``prediction_interval``; empty with one printer or none."""
    tolerance: Tolerance | None = None
    """What a share of future values stays above or below; None without a requirement."""


@dataclass(frozen=True)
class Conformance:
    """The share of future prints that meet every measured requirement, given completion."""

    estimate: float
    lower: float
    level: float
    """The one-sided level of ``lower``: the share of studies in which it holds, or more."""
    required: float
    by_response: dict[str, float]
    method: str
    """What the number is, and what it is not."""
    correlated: float | None = None
    """The estimate where responses of a print go together as much as these prints say; None with one response."""
    correlations: dict[str, float] = field(default_factory=dict)
    """Of future values, by ``response, response``."""
    by_printer: dict[str, float] = field(default_factory=dict)
    """The estimate per printer, each with setpoints of its own."""
    common_setpoint: dict[str, float] = field(default_factory=dict)
    """The same where all printers have one setpoint; empty where it is that already."""


@dataclass(frozen=True)
class Alternative:
    """
    What one model would choose, and how the declared one and it judge each other's setting.

    Parameters
    ----------
    model : str
        ``declared``, ``reduced`` or ``averaged``.
    settings : dict of factor name to value
        The setting whose conformance is highest by this model, natural units.
    near : bool
        Whether it lies within the near-optimal settings of every factor of the recommendation.
    conformance : float
        Its own estimate there.
    declared_there : float
        The declared model's estimate there.
    at_recommended : float
        Its own estimate at the recommended setting.
    means : dict of response name to value
        Its predicted means at the recommended setting, response units; with a logarithm the median.
    """

    model: str
    settings: dict[str, float | str]
    near: bool
    conformance: float
    declared_there: float
    at_recommended: float
    means: dict[str, float]


@dataclass(frozen=True)
class Alternatives:
    """
    The alternatives, the declared model first.

    Parameters
    ----------
    rows : tuple of Alternative
        Without the reduced model where it drops no term of any response.
    dropped : dict of response name to tuple of str
        Terms that the reduced model of each response does without.
    not_compared : dict of response name to str
        Responses that keep the declared model in every row, and why.
    method : str
    """

    rows: tuple[Alternative, ...]
    dropped: dict[str, tuple[str, ...]]
    not_compared: dict[str, str]
    method: str


@dataclass(frozen=True)
class Recommendation:
    """A setting with its promises; a hypothesis until confirmed."""

    study: str
    number: int
    exploratory: bool
    simulated: bool
    settings: tuple[Setting, ...]
    responses: tuple[Promise, ...]
    conformance: Conformance | None
    """None where no measured response has a requirement."""
    printers: tuple[dict[str, object], ...]
    """One row a printer: ``printer``, ``setpoints`` (factor -> value in natural units), ``checked`` (factors with checks)."""
    not_modelled: tuple[str, ...]
    """Responses recorded and summarised but not in the conformance."""
    verdicts: tuple[Verdict, ...]
    next: str
    """Exactly one next step."""
    inputs: dict[str, str]
    beside: tuple[Beside, ...] = ()
    """Completion and the judged responses at the setting; empty without a record."""
    fleet: dict[str, Any] | None = None
    """One setpoint for all printers and what it does on each: ``printers``, ``common``, ``actual``, ``spread``; None where no
    printer was checked."""
    window: Window | None = None
    """The process window, or why there is none; None where the setting was not chosen by requirements."""
    alternatives: Alternatives | None = None
    """What smaller models would recommend; None where none are compared."""
    desirable: Desirable | None = None
    """How desirable the setting is where responses have aims; None in a study with requirements."""
    locations: Locations | None = None
    """Where the best mean of each response lies."""


def as_data(recommendation: Recommendation) -> dict[str, Any]:
    """Return a recommendation as plain data for JSON: settings keyed by factor, responses by response."""
    data = asdict(recommendation)
    data["settings"] = {one.pop("factor"): one for one in data["settings"]}
    data["responses"] = {one.pop("response"): one for one in data["responses"]}
    data["verdicts"] = [one.as_data() for one in recommendation.verdicts]
    return data
