"""Checks of the declared model: lack of fit against pure error, and what centre prints say about curvature."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.model.data import ResponseData
from doe.numerics import criteria

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


def lack_of_fit(data: ResponseData) -> dict[str, float] | None:
    """
    Compare the declared model with one free mean per planned setting, on print means and within loads.

    The F test of Draper and Smith (*Applied Regression Analysis*, 3rd ed., 1998, section 2.1), with the loads as fixed
    effects on both sides, so that it rests on print error alone.

    Returns
    -------
    dict or None
        ``ss_lof``, ``df_lof``, ``ss_pe``, ``df_pe``, ``f``, ``p``; None without replicates or without room for lack of fit.
    """
    loads = (
        np.zeros((len(data.names), 0)) if data.load is None or data.loads == len(data.names) else _indicator(data.load)
    )
    model = np.hstack([data.X, loads])
    free = np.hstack([_indicator(data.cell), model])
    y = data.means
    (ss_model, df_model), (ss_free, df_free) = _residual(y, model), _residual(y, free)
    df_lof = df_model - df_free
    if df_lof < 1 or df_free < 1 or ss_free <= 1e-12 * float(y @ y):
        return None
    ss_lof = max(ss_model - ss_free, 0.0)
    f = (ss_lof / df_lof) / (ss_free / df_free)
    return {
        "ss_lof": ss_lof,
        "df_lof": df_lof,
        "ss_pe": ss_free,
        "df_pe": df_free,
        "f": f,
        "p": float(stats.f.sf(f, df_lof, df_free)),
    }


def with_centre_indicator(data: ResponseData) -> ResponseData | None:
    """
    Return the data with one more column, one at the centre prints, for a test of curvature.

    None where the plan has no centre prints, the model has squares, or the column adds nothing.
    """
    numeric = [index for index, count in enumerate(data.levels) if not count]
    centre = (
        np.abs(data.coded[:, numeric]).max(axis=1, initial=0.0) < 1e-9
        if numeric
        else np.zeros(len(data.names), dtype=bool)
    )
    if any(len(set(term)) < len(term) for term in data.model) or not centre.any() or centre.all():
        return None
    X = np.hstack([data.X, centre[:, None].astype(float)])
    return replace(data, X=X) if criteria.rank(X) == X.shape[1] else None


def _indicator(codes: Codes) -> Array:
    _, place = np.unique(codes, return_inverse=True)
    return np.eye(int(place.max()) + 1)[place]


def _residual(y: Array, X: Array) -> tuple[float, int]:
    """Return the residual sum of squares and degrees of freedom of least squares on the columns of X."""
    fitted = X @ np.linalg.lstsq(X, y, rcond=None)[0]
    return float(((y - fitted) ** 2).sum()), len(y) - criteria.rank(X)
