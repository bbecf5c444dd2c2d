"""What all prints together say of a setting once its confirmation was judged: the bound and the intervals anew."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.errors import InputRefused
from doe.model import inference, structure
from doe.model.fit import fit_model
from doe.model.measured import Fitted
from doe.model.request import FitRequest
from doe.numerics.conformance import bound_coverage, bound_level
from doe.recommend import outlook, promise
from doe.recommend.confirmation import Confirmation, Updated
from doe.recommend.forecast import has_requirement
from doe.record.declared import with_confirmations
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]


def updated(
    study: Study, design: Design, record: Record, confirmation: Confirmation, declared: Collection[str] | None
) -> Updated | str:
    """
    Refit all prints, those of confirmations among them, and judge the confirmed setting by them.

    A confirmation has no mean of its own in this fit: at one setting it would take all that its prints tell. Where there were
    several rounds before it, its prints count as the average of these, which is what was predicted.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    confirmation : Confirmation
    declared : collection of str or None
        Covariates that were declared before the data.

    Returns
    -------
    Updated or str
        The reason where it cannot be had.
    """
    mine = set(design.runs.loc[design.runs["round"].isin(design.confirmations), "print"])
    _, found = fit_model(study, with_confirmations(design), record, FitRequest(declared=declared, examine=False))
    fitted = [_without_mean_of_its_own(one, mine) for one in found]
    judged = [one for one in fitted if has_requirement(one.data.response) and one.inference is not None]
    coded = scale.coded(study, {name: [one["value"]] for name, one in confirmation.settings.items()})
    printers = list(dict.fromkeys(one.printer for one in confirmation.prints if one.printer))
    try:
        view = outlook.outlook(study, [one.data for one in judged], printers)
    except InputRefused as refused:
        return "; ".join(problem.found for problem in refused.problems)
    if not judged:
        return "no response with a requirement has a fit"
    shares = view.shares(coded)[0].astype(float)
    alone = view.by_response(coded).values()
    level = bound_level([1 - float(one.mean(dtype=float)) for one in alone])
    return Updated(
        estimate=float(np.median(shares)),
        lower=float(np.quantile(shares, level)),
        level=bound_coverage(level),
        required=study.header.conformance,
        responses=tuple(_promised(study, fitted, coded)),
    )


def _promised(study: Study, fitted: Sequence[Fitted], coded: Array) -> list[dict[str, Any]]:
    made = [promise.promise(one, coded, study.header.confidence) for one in fitted if one.inference is not None]
    return [
        {
            "response": one.response,
            "unit": one.unit,
            "mean": one.mean,
            "mean_interval": one.mean_interval,
            "prediction_interval": one.prediction_interval,
        }
        for one in made
    ]


def _without_mean_of_its_own(one: Fitted, mine: set[str]) -> Fitted:
    """Return the fit in which prints of confirmations are the average of the rounds before, where there are several."""
    data = one.data
    columns = [place for place, label in enumerate(data.labels) if label.startswith("round ")]
    rows = [place for place, name in enumerate(data.names) if name in mine]
    if len(data.rounds) < 2 or not columns or not rows or data.limits is not None:
        return one
    X = data.X.copy()
    X[np.ix_(rows, columns)] = 0.0
    data = replace(data, X=X)
    strata = structure.strata(data)
    mixed = structure.tried(data, strata).fit
    inferred = None if mixed is None else inference.infer(data, mixed, strata.random, strata.load_dof)
    return replace(one, data=data, mixed=mixed, inference=inferred, random=strata.random, load_dof=strata.load_dof)
