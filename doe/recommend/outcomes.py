"""What the prints of a confirmation gave, response by response, beside the intervals that were predicted for them."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.model.data import ResponseData, in_response_units, response_data
from doe.numerics import confirming
from doe.recommend import forecast
from doe.recommend.confirmation import Confirmation, Forecast, Outcome, Print, SinglePrint
from doe.record.match import Record
from doe.record.schema import filled
from doe.study import scale
from doe.study.spec import Response, Study

Array = NDArray[np.float64]


def left_out(confirmation: Confirmation, record: Record) -> Iterator[tuple[str, str]]:
    """Yield the prints that do not count in the means, each with the reason."""
    rows = record.prints.set_index("print")
    used = [column for column in rows if str(column).startswith("used.")]
    for one in confirmation.prints:
        row = rows.loc[one.print]
        if row["outcome"] != "completed":
            yield one.print, str(row["outcome"])
        elif row["deviation"] == "off plan" or any(filled(row[used])):
            yield one.print, "printed at another setting (off plan)"


def outcome(study: Study, mine: Design, record: Record, known: Forecast, prints: Sequence[Print]) -> Outcome:
    """
    Return one measured response of the prints beside its intervals.

    Parameters
    ----------
    study : Study
    mine : Design
        The rows of the confirmation alone.
    record : Record
    known : Forecast
        As it was frozen.
    prints : sequence of Print
        Those that count.

    Returns
    -------
    Outcome
    """
    response = next(one for one in study.responses if one.name == known.response)
    data = response_data(study, mine, record, response, scale.model_terms(study), limits=True)
    place = {} if data is None else {name: row for row, name in enumerate(data.names)}
    valued = [one for one in prints if one.print in place]
    nothing = _no_value(known)
    if data is None or not valued:
        return nothing
    rows = [place[one.print] for one in valued]
    means, counts = data.means[rows], [int(count) for count in data.counts[rows]]
    basis = forecast.known_again(known.basis)
    new = forecast.new_prints(known.basis.printers, valued, counts)
    ahead = confirming.mean_ahead(basis, new, known.level)
    mean = float(means.mean())
    values = _required_values(response, data, rows)
    missed = int(np.sum(~meets(response, values)))
    on_means = response.requirement_on == "print mean"
    of_prints = [1 if on_means else int(np.sum(data.of_print == row)) for row in rows]
    return replace(
        nothing,
        prints=len(valued),
        estimate=float(in_response_units(response, ahead.estimate)),
        low=float(in_response_units(response, ahead.low)),
        high=float(in_response_units(response, ahead.high)),
        mean=float(in_response_units(response, mean)),
        place=where_lies(mean, ahead.low, ahead.high) if data.limits is None else where_limits_lie(data, rows, ahead),
        singles=_singles(response, valued, means, confirming.each_ahead(basis, new, known.level)),
        values=len(values),
        missed=missed,
        chance=confirming.chance_of_misses(basis, missed, of_prints, study.header.conformance) if missed else 1.0,
    )


def _no_value(known: Forecast) -> Outcome:
    return Outcome(
        known.response, known.unit, known.requirement, prints=0, estimate=None, low=None, high=None, mean=None,
        place="no value", singles=(), values=0, missed=0, judged=bool(known.bad_side),
    )  # fmt: skip


def _singles(
    response: Response, prints: Sequence[Print], means: Array, each: Sequence[confirming.Ahead]
) -> tuple[SinglePrint, ...]:
    """Return every print beside its interval, response units; ``means`` are on the scale of the model."""
    return tuple(
        SinglePrint(
            one.print,
            one.load,
            one.printer,
            value=float(in_response_units(response, mean)),
            low=float(in_response_units(response, limits.low)),
            high=float(in_response_units(response, limits.high)),
            place=where_lies(mean, limits.low, limits.high),
        )
        for one, mean, limits in zip(prints, means.tolist(), each, strict=True)
    )


def _required_values(response: Response, data: ResponseData, rows: Sequence[int]) -> Array:
    """Return the values that the requirement is on, response units; none without one."""
    if not forecast.has_requirement(response):
        return np.zeros(0)
    values = data.means[rows] if response.requirement_on == "print mean" else data.values[np.isin(data.of_print, rows)]
    return in_response_units(response, values)


def meets(response: Response, values: Array) -> NDArray[np.bool_]:
    """Whether each value, response units, is within the limits of a measured response, shape (m,)."""
    low = -np.inf if response.at_least is None else response.at_least
    high = np.inf if response.at_most is None else response.at_most
    return np.asarray((values >= low) & (values <= high), dtype=bool)


def where_limits_lie(data: ResponseData, rows: Sequence[int], ahead: confirming.Ahead) -> str:
    """Return where the mean lies where some values are only limits: ``open`` where these cannot tell."""
    assert data.limits is not None
    least, most = (
        float(np.mean([one[data.of_print == row].mean() for row in rows])) for one in (data.limits.lower, data.limits.upper)
    )
    if most < ahead.low or least > ahead.high:
        return "below" if most < ahead.low else "above"
    return "inside" if ahead.low <= least and most <= ahead.high else "open"


def where_lies(value: float, low: float, high: float) -> str:
    """Return where a value lies beside an interval."""
    return "below" if value < low else "above" if value > high else "inside"
