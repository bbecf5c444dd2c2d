"""What all prints together say of a setting once its confirmation was judged."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design import calibrated
from doe.design.plan import Design
from doe.errors import InputRefused
from doe.model import inference, structure
from doe.model.fit import fit_model
from doe.model.measured import Fitted
from doe.model.request import FitRequest
from doe.recommend import desirable, forecast, outlook, promise, share
from doe.recommend.confirmation import Confirmation, Updated
from doe.recommend.printers import printer_rows
from doe.recommend.results import Promise
from doe.record.declared import with_confirmations
from doe.record.match import Record
from doe.study import scale
from doe.study.names import listed, spoken
from doe.study.spec import Study

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Again:
    """The confirmed setting with the fits of all prints: those that can be judged, and what each promises there."""

    values: dict[str, float | str]
    """The setting, natural units."""
    coded: Array
    """The same, coded units, shape (1, k)."""
    judged: tuple[Fitted, ...]
    promises: tuple[Promise, ...]


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
        The reason where it cannot be had. The share of prints and its bound are computed as in a recommendation, with the
        errors of the printers' lines and the limits of tolerance; in a study with aims it is the overall desirability.
    """
    mine = set(design.runs.loc[design.runs["round"].isin(design.confirmations), "print"])
    _, found = fit_model(study, with_confirmations(design), record, FitRequest(declared=declared, examine=False))
    fitted = [_without_mean_of_its_own(one, mine) for one in found]
    tried = {one.print for one in confirmation.prints}
    if not any(tried & set(one.data.names) for one in fitted):
        return "none of its prints gave a value"
    missing = [*_without_intervals(study, fitted)]
    if missing:
        return f"{listed(missing)} {'has' if len(missing) == 1 else 'have'} no intervals from all prints"
    again = _again(study, fitted, confirmation)
    printers = share.printers_that_printed(design)
    try:
        if desirable.has_aims(study):
            return _by_aims(study, again, printers)
        return _by_requirements(study, again, printers, record)
    except InputRefused as refused:
        return "; ".join(problem.found for problem in refused.problems)


def _without_intervals(study: Study, fitted: Sequence[Fitted]) -> Iterator[str]:
    """Yield the responses with a requirement or an aim that all prints together give no intervals for."""
    known = {one.data.response.name for one in fitted if one.inference is not None}
    yield from (spoken(one.name) for one in study.responses if forecast.bad_side(one) and one.name not in known)


def _again(study: Study, fitted: Sequence[Fitted], confirmation: Confirmation) -> _Again:
    values = {name: one["value"] for name, one in confirmation.settings.items()}
    coded = scale.coded(study, {name: [value] for name, value in values.items()})
    return _Again(
        values,
        coded,
        tuple(one for one in fitted if forecast.bad_side(one.data.response)),
        tuple(promise.promise(one, coded, study.header.confidence) for one in fitted if one.inference is not None),
    )


def _by_requirements(study: Study, again: _Again, printers: Sequence[str], record: Record) -> Updated:
    lines = calibrated.lines_of(study, record.checks)
    view = outlook.outlook(study, [one.data for one in again.judged], printers, lines)
    cards, _ = printer_rows(study, printers, again.values, lines)
    found, quantile = share.conformance(study, view, again.coded, cards, None)
    promises = share.with_tolerance(study, view, again.coded, quantile, again.promises)
    return Updated(tuple(map(asdict, promises)), conformance=asdict(found), desirable=None)


def _by_aims(study: Study, again: _Again, printers: Sequence[str]) -> Updated:
    view = desirable.wishes(again.judged, printers)
    found = desirable.desirable(view, again.coded, study.header.confidence)
    return Updated(tuple(map(asdict, again.promises)), conformance=None, desirable=asdict(found))


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
    mixed = structure.mixed_or_trouble(data, strata).fit
    again = replace(one, data=data, mixed=mixed, inference=None, random=strata.random, load_dof=strata.load_dof)
    if mixed is None:
        return again
    inferred = inference.infer(data, mixed, strata.random, strata.load_dof)
    return replace(again, inference=inferred, estimates=mixed.estimates)
