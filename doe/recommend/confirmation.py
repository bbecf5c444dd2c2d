"""A confirmation with its judgement as frozen values: what their files, the terminal or the report show."""

from dataclasses import MISSING, dataclass, fields, is_dataclass
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from doe.verdicts import Verdict

CONFIRMED = "confirmed"
NOT_CONFIRMED = "not confirmed"
INCONCLUSIVE = "inconclusive"

T = TypeVar("T")


@dataclass(frozen=True)
class Print:
    """One planned print."""

    print: str
    load: str
    """Empty where the study has no loads."""
    printer: str


@dataclass(frozen=True)
class Mean:
    """The interval that the mean of so many prints is predicted to lie in; response units."""

    prints: int
    low: float
    high: float


@dataclass(frozen=True)
class Single:
    """The interval of one print, at once with those of all others; response units."""

    print: str
    estimate: float
    low: float
    high: float


@dataclass(frozen=True)
class Catch:
    """The chance that so many single-print loads catch a drop of the true mean."""

    loads: int
    sds: float
    """The drop, in standard deviations of a new print on a new load."""
    drop: float
    """The same in response units; to the bad side."""
    chance: float


@dataclass(frozen=True)
class PosteriorBasis:
    """Of the fit's posterior, what the intervals need; see ``numerics/mixture.py``."""

    ratios: tuple[tuple[float, ...], ...]
    weights: tuple[float, ...]
    q: tuple[float, ...]
    centres: tuple[tuple[float, ...], ...]
    covariances: tuple[tuple[tuple[float, ...], ...], ...]
    dof: int


@dataclass(frozen=True)
class Basis:
    """Of the fit, what the intervals of any of the prints need, per printer in order; see ``numerics/confirming.py``."""

    printers: tuple[str, ...]
    estimates: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    adjusted: tuple[tuple[float, ...], ...]
    slopes: tuple[tuple[tuple[float, ...], ...], ...]
    variances: tuple[float, ...]
    variances_covariance: tuple[tuple[float, ...], ...]
    coefficients: int
    of_coupons: bool
    posterior: PosteriorBasis | None


@dataclass(frozen=True)
class Forecast:
    """What one measured response is predicted to be, frozen before the prints."""

    response: str
    unit: str
    requirement: str
    """In words, or the aim; ``none`` where it has neither: it is then shown, and not judged."""
    bad_side: str
    """``low``, ``high``, ``both``; empty where it is not judged."""
    coupons: int
    """Planned per print."""
    level: float
    """Of the interval of the mean, and of those of all prints together."""
    estimate: float
    """Of the mean of all planned prints."""
    sd: float
    """Of a new print on a new load, all components; on the scale of the model."""
    means: tuple[Mean, ...]
    """For 1, 2, ... prints completed, the first of the planned ones."""
    singles: tuple[Single, ...]
    catches: tuple[Catch, ...]
    basis: Basis
    """On the scale of the model."""


@dataclass(frozen=True)
class Before:
    """How often something went wrong in the prints that the recommendation rests on."""

    what: str
    """``completion``, or the name of a graded or pass-fail response."""
    requirement: str
    bad: int
    of: int


@dataclass(frozen=True)
class Confirmation:
    """A planned confirmation with everything that it will be judged by."""

    study: str
    number: int
    recommendation: int
    recommendation_digest: str
    """SHA-256 of ``recommendation-K.json``."""
    override: str
    """Why it was planned in spite of what stands against it; empty without."""
    simulated: bool
    round: int
    seed: int
    loads: int
    """Prints, each on a drying load of its own."""
    proposed: int | None
    """
    Fewest loads that catch a change for the worse of three standard deviations in four of five cases, where as few prints
    complete as ``completion_lower`` allows; None where 12 completed prints do not catch it, or too few complete.
    """
    confidence: float
    settings: dict[str, dict[str, Any]]
    """Factor -> ``value``, ``unit``."""
    prints: tuple[Print, ...]
    forecasts: tuple[Forecast, ...]
    before: tuple[Before, ...]
    completion_lower: float | None
    """Lower bound of the chance that a print completes, from the model of completion; None where there is none."""
    aims: bool
    """Whether the setting was chosen by aims: then no measured response has a requirement."""
    rule: str
    verdicts: tuple[Verdict, ...]
    next: str
    inputs: dict[str, str]
    conformance: float | None = None
    """Share of values that must meet the requirements; None in a file of an older version."""
    declared: dict[str, dict[str, Any]] | None = None
    """Response -> what its values are judged by, as ``study.toml`` has it; None in a file of an older version."""


@dataclass(frozen=True)
class SinglePrint:
    """One print beside its interval."""

    print: str
    load: str
    printer: str
    value: float
    low: float
    high: float
    place: str
    """``inside``, ``below`` or ``above``."""


@dataclass(frozen=True)
class Outcome:
    """One measured response of the confirmation prints."""

    response: str
    unit: str
    requirement: str
    prints: int
    """That gave a value."""
    estimate: float | None
    low: float | None
    high: float | None
    mean: float | None
    place: str
    """``inside``, ``below``, ``above``, ``no value``; ``open`` where values that are only limits cannot tell."""
    singles: tuple[SinglePrint, ...]
    values: int
    """Coupons, or prints, that the requirement is on; none without a requirement."""
    missed: int
    """How many of them do not meet it."""
    judged: bool
    chance: float = 1.0
    """Of so many that do not, or more, where the study's share of values meets it."""


@dataclass(frozen=True)
class Counted:
    """Prints that completed, or met a grade."""

    what: str
    requirement: str
    bad: int
    of: int
    surprising: bool
    """Whether so many are more than the earlier prints let expect."""


@dataclass(frozen=True)
class Updated:
    """What all prints together, the confirmation's among them, say of the setting; as in a recommendation, as plain data."""

    responses: tuple[dict[str, Any], ...]
    """``results.Promise``, one a measured response."""
    conformance: dict[str, Any] | None
    """``results.Conformance``; None in a study with aims."""
    desirable: dict[str, Any] | None
    """``desirable.Desirable``; None in a study with requirements."""


@dataclass(frozen=True)
class Judgement:
    """What the confirmation prints say of the recommendation."""

    study: str
    confirmation: int
    recommendation: int
    verdict: str
    """``confirmed``, ``not confirmed`` or ``inconclusive``."""
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    next: str
    override: str
    simulated: bool
    aims: bool
    """Whether the setting was chosen by aims: then no measured response has a requirement."""
    outcomes: tuple[Outcome, ...]
    counted: tuple[Counted, ...]
    planned: int
    without: tuple[tuple[str, str], ...]
    """Prints that do not count in the means, each with the reason."""
    updated: Updated | None
    """None where that cannot be had; one of ``remarks`` says why."""
    inputs: dict[str, str]


def restored(kind: type[T], data: Any) -> T:  # noqa: ANN401 - any JSON value
    """Return a frozen value from its JSON form, as ``results.as_data`` made it."""
    found: T = _restored(kind, data)
    return found


def _restored(kind: Any, data: Any) -> Any:  # noqa: ANN401 - types and JSON values
    if get_origin(kind) in (Union, UnionType):
        inner = next(one for one in get_args(kind) if one is not type(None))
        return None if data is None else _restored(inner, data)
    if get_origin(kind) is tuple:
        given = get_args(kind)
        kinds = [given[0]] * len(data) if given[-1] is Ellipsis else given
        return tuple(_restored(one, value) for one, value in zip(kinds, data, strict=True))
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        known = [one for one in fields(kind) if one.name in data or one.default is MISSING]
        return kind(**{one.name: _restored(hints[one.name], data[one.name]) for one in known})
    return data
