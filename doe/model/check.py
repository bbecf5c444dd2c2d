"""Checks of the declared model: lack of fit against pure error, curvature from centre prints."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import stats

from doe.model.data import ResponseData
from doe.model.structure import mixed_model
from doe.numerics import leastsq, reml
from doe.numerics.terms import rank

_NEAR_CENTRE = 0.15  # coded: printers and readings put a centre print a little off; corners are far away


def lack_of_fit(data: ResponseData) -> dict[str, float] | None:
    """
    Compare the declared model with one free mean per planned setting, on print means, within loads and printers.

    Returns
    -------
    dict or None
        ``ss_lof``, ``df_lof``, ``ss_pe``, ``df_pe``, ``f``, ``p``; None without replicates that differ or without room for
        lack of fit.
    """
    terms = len(data.X.T) - data.blocks
    try:
        blocks = np.hstack([data.X[:, terms:], data.load_columns])
        found = leastsq.lack_of_fit(data.means, data.X[:, :terms], data.cell, blocks)
    except ValueError:
        return None
    return {**vars(found)}


def with_centre_indicator(data: ResponseData) -> ResponseData | None:
    """
    Return the data with one more column, one at the centre prints, for a test of curvature.

    None where the plan has no centre prints, the model has squares, or the column adds nothing.
    """
    numeric = [index for index, count in enumerate(data.levels) if not count]
    centre = (
        np.abs(data.coded[:, numeric]).max(axis=1, initial=0.0) < _NEAR_CENTRE
        if numeric
        else np.zeros(len(data.names), dtype=bool)
    )
    if any(len(set(term)) < len(term) for term in data.model) or not centre.any() or centre.all():
        return None
    X = np.hstack([data.X, centre[:, None].astype(float)])
    return replace(data, X=X) if rank(X) == X.shape[1] else None


def curvature(data: ResponseData, random: Sequence[str]) -> dict[str, float] | None:
    """
    Estimate how far the mean of the centre prints lies from the model through the other prints.

    It is the coefficient of an indicator of the centre, added to a model without squares. In one stratum it is the
    difference of Box, Hunter and Hunter (*Statistics for Experimenters*, 2nd ed., 2005, ch. 11).
    """
    wider = with_centre_indicator(data)
    if wider is None:
        return None
    try:
        found = reml.contrast(mixed_model(wider, random), np.eye(wider.X.shape[1])[[-1]])
    except ValueError:  # the loads, or the prints, leave no error to judge the centre by
        return None
    estimate, se, dof = float(found.estimates[0]), float(found.se[0]), float(found.dof[0])
    return {"estimate": estimate, "se": se, "dof": dof, "p": float(2 * stats.t.sf(abs(estimate) / se, dof))}
