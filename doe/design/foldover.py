"""A fold-over: the first round's two-level prints again with signs reversed, to separate aliases."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.errors import InputRefused, Problem
from doe.numerics import fractions, terms
from doe.study.spec import Study

Array = NDArray[np.float64]
_SLACK = 1e-9


@dataclass(frozen=True)
class Folded:
    """The new prints, coded, and what both halves together can tell apart."""

    coded: Array
    facts: dict[str, Any]
    """``folded`` (factors), ``resolution`` and ``resolution_before``, ``aliases`` and ``aliases_before`` (main effects and
    two-factor interactions that stand for each other), ``separated``: the pairs of these that no longer do."""


def two_level(study: Study, coded: Array) -> NDArray[np.bool_]:
    """
    Return which prints are at the lowest or highest setting of every numeric factor, shape (n,).

    Parameters
    ----------
    study : Study
    coded : ndarray of shape (n, k)
        Coded units.
    """
    numeric = coded[:, [factor.is_numeric for factor in study.factors]]
    away = np.abs(numeric - (numeric.max(axis=0) + numeric.min(axis=0)) / 2)
    corner = (away > _SLACK) & (np.abs(away - away.max(axis=0)) < _SLACK)
    return np.asarray(corner.all(axis=1))


def fold(study: Study, corners: Array, folded: Sequence[int]) -> Folded:
    """
    Return the two-level prints with the levels of some factors exchanged.

    Parameters
    ----------
    study : Study
    corners : ndarray of shape (n, k)
        Coded units; level indices for categorical factors.
    folded : sequence of int
        The factors whose levels are exchanged.

    Raises
    ------
    InputRefused
        Where there are no two-level prints, or a factor has more than two levels.

    References
    ----------
    Box, Hunter and Hunter, *Statistics for Experimenters*, 2nd ed. (2005), ch. 6. Montgomery, *Design and Analysis of
    Experiments*, section 8.6.
    """
    signs = _signs(study, corners)
    folding = fractions.fold_over(signs, folded)
    before, after = _chains(study, signs), _chains(study, signs, folding.points)
    left = _pairs(after)
    facts = {
        "folded": [study.factors[place].name for place in folded],
        "resolution_before": fractions.shortest_aliased(signs),
        "resolution": folding.resolution,
        "aliases_before": before,
        "aliases": after,
        "separated": sorted(" = ".join(sorted(pair, key=_simple_first)) for pair in _pairs(before) - left),
    }
    return Folded(np.where(folding.points > 0, corners.max(axis=0), corners.min(axis=0)), facts)


def _signs(study: Study, corners: Array) -> Array:
    """Return two-level prints as -1 for the lower and +1 for the higher setting."""
    several = [factor.name for factor in study.factors if len(factor.levels or ()) > 2]
    if several or not len(corners):
        found = (
            f"{', '.join(several)} has more than two levels" if several else "the first round has no two-level prints"
        )
        raise InputRefused(
            Problem(
                "--kind fold-over", found, "it repeats two-level prints with signs reversed", "choose another --kind"
            )
        )
    middle = (corners.max(axis=0) + corners.min(axis=0)) / 2
    return np.where(corners > middle, 1.0, -1.0)


def _chains(study: Study, first: Array, second: Array | None = None) -> list[str]:
    """Say which main effects, two-factor interactions and rounds stand for each other in one half, or in both."""
    factors = len(study.factors)
    effects = terms.standard_terms("interactions", (0,) * factors)
    coded, levels, names = first, (0,) * factors, [factor.name for factor in study.factors]
    if second is not None:
        rounds = np.repeat([0.0, 1.0], [len(first), len(second)])
        coded, levels = np.column_stack([np.vstack([first, second]), rounds]), (*levels, 2)
        effects, names = (*effects, (factors,)), [*names, "round"]
    groups = terms.alias_groups(coded, effects, levels)
    return [
        " = ".join(terms.format_term(term, names) for term in sorted(group, key=lambda term: (len(term), term)))
        for group in groups
    ]


def _pairs(chains: list[str]) -> set[frozenset[str]]:
    """Return every two effects that stand for each other."""
    return {frozenset(pair) for chain in chains for pair in combinations(chain.split(" = "), 2)}


def _simple_first(effect: str) -> tuple[int, str]:
    return effect.count("*"), effect
