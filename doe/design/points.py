"""The settings of the named families, coded, before loads or order."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.design import region
from doe.design.request import Kind, PlanRequest
from doe.errors import InputRefused, Problem
from doe.numerics import catalogue
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]


_DEFAULT_CENTRE = 4


@dataclass(frozen=True)
class Points:
    """The settings of a named family."""

    kind: Kind
    coded: Array
    """Coded units, level indices for categorical factors, shape (n, k)."""
    kinds: list[str]
    """What each setting is: corner, centre, axial, edge."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What is to be said of the family: ``defining_relation``; ``axial_distance``, ``form`` and ``distance``."""


def make(study: Study, request: PlanRequest, kind: Kind) -> Points:
    """
    Return the settings of a named family.

    Raises
    ------
    InputRefused
        Where the family does not fit the factors, or has no member of the asked resolution.
    """
    if request.replicates < 1 or (request.centre is not None and request.centre < 0):
        raise _refused(
            "replicates or centre prints",
            "a negative or zero count",
            "--replicates of 1 or more, --centre of 0 or more",
        )
    try:
        return {
            "factorial": _factorial,
            "fractional": _fractional,
            "plackett-burman": _plackett_burman,
            "definitive-screening": _definitive_screening,
            "central-composite": _central_composite,
            "box-behnken": _box_behnken,
        }[kind](study, request)
    except ValueError as error:
        raise _refused(
            f"plan of kind '{kind}'", str(error), "another --kind, --resolution or number of factors"
        ) from None


def _factorial(study: Study, request: PlanRequest) -> Points:
    counts = scale.level_counts(study)
    corners = _levels_to_coded(catalogue.full_factorial(tuple(count or 2 for count in counts)), counts)
    return _two_level(study, request, "factorial", corners)


def _fractional(study: Study, request: PlanRequest) -> Points:
    counts = scale.level_counts(study)
    if any(count > 2 for count in counts):
        raise ValueError("a two-level fraction needs factors with two levels, and one here has more")
    fraction = catalogue.fractional_factorial(len(counts), resolution=request.resolution or _needed_resolution(study))
    corners = _two_levels(fraction.points, counts)
    facts = {"defining_relation": [_word(study, word) for word in fraction.words]}
    return _two_level(study, request, "fractional", corners, facts)


def _plackett_burman(study: Study, request: PlanRequest) -> Points:
    counts = scale.level_counts(study)
    if any(count > 2 for count in counts):
        raise ValueError("a Plackett-Burman plan needs factors with two levels, and one here has more")
    corners = _two_levels(catalogue.plackett_burman(len(counts)), counts)
    return _two_level(study, request, "plackett-burman", corners)


def _definitive_screening(study: Study, request: PlanRequest) -> Points:
    numeric = _numeric(study, "a definitive screening plan", fewest=3)
    extra = 0 if request.centre is None else max(request.centre - 1, 0)
    coded = np.vstack([catalogue.definitive_screening(len(numeric), extra)] * request.replicates)
    kinds = ["edge" if np.abs(row).max() > 0 else "centre" for row in coded]
    return _crossed(study, numeric, Points("definitive-screening", coded, kinds))


def with_references(study: Study, made: Points) -> tuple[Array, list[str]]:
    """Return the settings with the study's reference prints added, and what each is."""
    settings = [region.coded_setting(study, one.setting) for one in study.references for _ in range(one.prints)]
    return np.vstack([made.coded, *settings]), made.kinds + ["reference"] * len(settings)


def _two_levels(points: Array, counts: tuple[int, ...]) -> Array:
    """Return two-level points with level indices 0 and 1 for the categorical factors."""
    return np.where(np.array(counts) > 0, (points + 1) / 2, points)


def _needed_resolution(study: Study) -> int:
    """Main effects are kept clear of pairs (IV) where a fraction allows; a model with products needs V."""
    return 5 if any(len(term) > 1 for term in scale.model_terms(study)) else 4


def _central_composite(study: Study, request: PlanRequest) -> Points:
    numeric = _numeric(study, "a central composite plan", fewest=2)
    made = catalogue.central_composite(len(numeric), request.form, request.distance, _centre_prints(request))
    facts: dict[str, Any] = {"axial_distance": made.axial_distance, "form": request.form}
    if request.form != "face":
        facts["distance"] = request.distance
    coded, kinds = np.vstack([made.points] * request.replicates), list(made.kinds) * request.replicates
    return _crossed(study, numeric, Points("central-composite", coded, kinds, facts))


def _box_behnken(study: Study, request: PlanRequest) -> Points:
    numeric = _numeric(study, "a Box-Behnken plan", fewest=3)
    edges = np.vstack([catalogue.box_behnken(len(numeric))] * request.replicates)
    centre = _centre_prints(request)
    coded = np.vstack([edges, np.zeros((centre, len(numeric)))])
    return _crossed(study, numeric, Points("box-behnken", coded, ["edge"] * len(edges) + ["centre"] * centre))


def _numeric(study: Study, what: str, fewest: int) -> list[int]:
    numeric = [index for index, factor in enumerate(study.factors) if factor.is_numeric]
    if len(numeric) < fewest:
        raise ValueError(f"{what} needs at least {fewest} numeric factors, and the study has {len(numeric)}")
    return numeric


def _crossed(study: Study, numeric: list[int], base: Points) -> Points:
    """Repeat a plan of the numeric factors at every combination of the categorical ones."""
    counts = scale.level_counts(study)
    others = [index for index, count in enumerate(counts) if count]
    blocks = []
    for combination in region.level_combinations(study):
        block = np.empty((len(base.coded), len(counts)))
        block[:, numeric], block[:, others] = base.coded, combination
        blocks.append(block)
    return Points(base.kind, np.vstack(blocks), base.kinds * len(blocks), base.facts)


def _two_level(
    study: Study, request: PlanRequest, kind: Kind, corners: Array, facts: dict[str, Any] | None = None
) -> Points:
    """Replicate the corners and add centre prints, where some factor has a centre."""
    coded = np.vstack([corners] * request.replicates)
    centre = _centre_prints(request) if any(factor.is_numeric for factor in study.factors) else 0
    return Points(kind, *with_centre(study, coded, ["corner"] * len(coded), centre), facts or {})


def with_centre(study: Study, coded: Array, kinds: list[str], centre: int) -> tuple[Array, list[str]]:
    """
    Add centre prints, dealt in turn to the combinations of the categorical factors that are there.

    Parameters
    ----------
    study : Study
    coded : ndarray of shape (n, k)
        Coded units; level indices for categorical factors.
    kinds : list of str, length n
    centre : int
        How many.

    Returns
    -------
    tuple of ndarray of shape (n + centre, k) and list of str
    """
    middles = coded[np.arange(centre) % len(coded)].copy()
    middles[:, [factor.is_numeric for factor in study.factors]] = 0.0
    return np.vstack([coded, middles]), [*kinds, *["centre"] * centre]


def _centre_prints(request: PlanRequest) -> int:
    return _DEFAULT_CENTRE if request.centre is None else request.centre


def _levels_to_coded(indices: Array, counts: tuple[int, ...]) -> Array:
    """Turn two-level indices 0 and 1 into -1 and +1 for the numeric factors; level indices stay."""
    numeric = np.array([count == 0 for count in counts])
    return np.where(numeric, 2 * indices - 1, indices)


def _word(study: Study, word: tuple[int, ...]) -> str:
    return " * ".join(study.factors[index].name for index in word)


def _refused(where: str, found: str, allowed: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, "change the option or the study and run 'doe plan' again"))
