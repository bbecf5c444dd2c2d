"""The recommendation as frozen values: what ``recommendation.json``, the terminal and the report show."""

from dataclasses import asdict, dataclass
from typing import Any

from doe.verdicts import Verdict


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
class Promise:
    """What one measured response is predicted to be at the setting."""

    response: str
    unit: str
    mean: float
    """With ``transform = "log"`` the median of the response."""
    mean_interval: tuple[float, float]
    """Wide enough for a setting that was chosen by its predictions."""
    prediction_interval: tuple[float, float]
    """A new print (its mean over coupons) on a new drying load."""
    requirement: str
    """In words: ``at least 27 MPa on each coupon``."""
    meets: str
    """``yes``: the whole mean interval meets the requirement; ``no``: none of it does; else ``not shown``."""
    by_printer: tuple[dict[str, object], ...]
    """One row a printer: ``printer``, ``mean``, ``mean_interval``; empty where the study has one printer or none."""


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


def as_data(recommendation: Recommendation) -> dict[str, Any]:
    """Return a recommendation as plain data for JSON: settings keyed by factor, responses by response."""
    data = asdict(recommendation)
    data["settings"] = {one.pop("factor"): one for one in data["settings"]}
    data["responses"] = {one.pop("response"): one for one in data["responses"]}
    data["verdicts"] = [one.as_data() for one in recommendation.verdicts]
    return data
