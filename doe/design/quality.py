"""How well a plan will tell: prediction variance over the region, efficiency at several ratios, near-aliases, leverage."""

import itertools
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, region
from doe.numerics import criteria, terms
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

RATIOS = (0.1, 1.0, 10.0)
"""Load variance over print variance at which a plan is judged; a searched plan is made for 1."""
_NEAR_ALIAS = 10.0
_BIAS = 0.05
_MOST_SETTINGS = 20_000


@dataclass(frozen=True)
class Quality:
    """
    What a plan promises as far as it can be computed before any print.

    Variances are of a predicted mean, relative to the variance from print to print.
    """

    average_variances: tuple[float, ...]
    """Average over the region (the I-criterion), at the load-to-print variance ratios of ``RATIOS``."""
    worst_variance: float
    """Greatest over a grid of settings of the region (the G-criterion), at ratio 1."""
    d_efficiencies: tuple[float, ...]
    """100 |X'V^-1 X|^(1/p) / n, percent, at the ratios of ``RATIOS``."""
    near_aliases: tuple[tuple[str, float], ...]
    """Coefficients whose variance the others inflate tenfold or more, with the factor (Marquardt 1970)."""
    full_leverage: tuple[str, ...]
    """Prints that alone decide a coefficient: leverage 1."""
    biases: tuple[tuple[str, str, float], ...]
    """Per coefficient the second-order term outside the model that biases it most, and by how much of its size (Box and Wilson
    1951); those of a twentieth or more."""

    @property
    def average_variance(self) -> float:
        """The average at ratio 1."""
        return self.average_variances[RATIOS.index(1.0)]

    def as_data(self) -> dict[str, Any]:
        """Return the figures as plain data."""
        return {**asdict(self), "ratios": RATIOS}


def quality(study: Study, runs: pd.DataFrame) -> Quality | None:
    """
    Judge a plan, all rounds and printers in one model.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        As of a Design.

    Returns
    -------
    Quality or None
        None where the plan cannot estimate the declared model.
    """
    X, load = check.matrix(study, runs)
    if not terms.estimable(X):
        return None
    grid = rows(study, _grid(study, runs), X.shape[1])
    return Quality(
        average_variances=tuple(_average(study, X, load, ratio) for ratio in RATIOS),
        worst_variance=float(criteria.prediction_variance(grid, X, load, 1.0).max()),
        d_efficiencies=tuple(criteria.d_efficiency(X, load, ratio) for ratio in RATIOS),
        near_aliases=_near_aliases(study, X),
        full_leverage=tuple(str(name) for name in runs["print"].to_numpy()[criteria.leverages(X) > 1 - 1e-9]),
        biases=_biases(study, runs, X, load),
    )


def _average(study: Study, X: Array, load: Codes | None, ratio: float) -> float:
    """Return the exact average over the whole ranges, or over a sample of what the constraints leave."""
    model, counts = scale.model_terms(study), scale.level_counts(study)
    limited = region.moments(study, model)
    inner = criteria.moment_matrix(model, counts) if limited is None else limited
    moments = np.zeros((X.shape[1], X.shape[1]))
    moments[: len(inner), : len(inner)] = inner
    return float(np.sum(np.linalg.inv(criteria.information(X, load, ratio)) * moments))


def rows(study: Study, settings: Array, columns: int) -> Array:
    """Return model-matrix rows of settings, coded and of shape (m, k), averaged over printers and rounds."""
    base = terms.model_matrix(settings, scale.model_terms(study), scale.level_counts(study))
    return np.hstack([base, np.zeros((len(base), columns - base.shape[1]))])


def _grid(study: Study, runs: pd.DataFrame) -> Array:
    """
    Return all combinations of five levels, of three or of two where those are too many, that the constraints allow.

    Constraints may leave a band so narrow that no combination lies in it: then the settings of the plan, which do.
    """
    counts = scale.level_counts(study)
    for levels in (5, 3, 2):
        axes = [np.arange(count) if count else np.linspace(-1, 1, levels) for count in counts]
        if np.prod([len(axis) for axis in axes], dtype=float) <= _MOST_SETTINGS:
            break
    settings = np.array(list(itertools.product(*axes)), dtype=float)
    settings = settings[region.allowed(study, settings)]
    return settings if len(settings) else scale.coded(study, check.settings_of(study, runs))


def _near_aliases(study: Study, X: Array) -> tuple[tuple[str, float], ...]:
    labels = scale.column_labels(study, scale.model_terms(study))
    inflation = criteria.variance_inflation(X)[: len(labels)]
    return tuple(
        (label, float(factor))
        for label, factor in zip(labels, inflation, strict=True)
        if np.isfinite(factor) and factor >= _NEAR_ALIAS
    )


def _biases(study: Study, runs: pd.DataFrame, X: Array, load: Codes | None) -> tuple[tuple[str, str, float], ...]:
    """Return the largest entry per row of A = (X'V^-1X)^-1 X'V^-1 X2, ratio 1: what the fit's coefficients take up of X2."""
    model, counts = scale.model_terms(study), scale.level_counts(study)
    outside = tuple(term for term in terms.standard_terms("quadratic", counts) if term not in model)
    if not outside:
        return ()
    X2 = terms.model_matrix(scale.coded(study, check.settings_of(study, runs)), outside, counts)
    both = criteria.information(np.hstack([X, X2]), load, 1.0)
    alias = np.linalg.solve(both[: X.shape[1], : X.shape[1]], both[: X.shape[1], X.shape[1] :])
    names, others = scale.column_labels(study, model), scale.column_labels(study, outside)
    worst = np.abs(alias).argmax(axis=1)
    return tuple(
        (name, others[worst[row]], float(alias[row, worst[row]]))
        for row, name in enumerate(names)
        if row > 0 and abs(alias[row, worst[row]]) >= _BIAS
    )
