"""What the recommended setting promises per response."""

import numpy as np
from numpy.typing import NDArray

from doe.model import inference
from doe.model.data import in_response_units
from doe.model.measured import Fitted
from doe.recommend.outlook import limits
from doe.recommend.results import Promise, Tolerance
from doe.study import scale
from doe.study.spec import Response

Array = NDArray[np.float64]


def promise(one: Fitted, coded: Array, level: float) -> Promise:
    """
    Return what one response is predicted to be at a setting.

    Parameters
    ----------
    one : Fitted
        With a fit: ``inference`` is not None.
    coded : ndarray of shape (1, k)
        Coded units.
    level : float
        Confidence level of both intervals, each for this response alone.

    Returns
    -------
    Promise
        Both intervals allow for the choice of the setting by its predictions. After a log transform they are those of the median.
    """
    assert one.inference is not None
    data, rows = one.data, one.data.rows(coded)
    mean = inference.chosen_means(one.inference, rows, level)
    ahead = inference.chosen_new_prints(one.inference, rows, level)
    low, high = float(mean.low[0]), float(mean.high[0])
    printers = data.printers if len(data.printers) > 1 else ()
    return Promise(
        response=data.response.name, unit=data.response.display_unit,
        mean=float(in_response_units(data.response, mean.estimates)[0]),
        mean_interval=_pair(data.response, low, high),
        prediction_interval=_pair(data.response, ahead.low[0], ahead.high[0]),
        requirement=scale.describe_requirement(data.response, "{:.10g}".format), meets=_meets(data.response, low, high),
        by_printer=tuple(_of_printer(one, coded, code, level) for code in range(len(printers))),
    )


def tolerance(response: Response, found: tuple[float, float], share: float, level: float) -> Tolerance:
    """
    Return the limits of a share of future values, for the sides that the requirement has.

    Parameters
    ----------
    response : Response
        With a requirement.
    found : (float, float)
        Lower and upper limit on the scale of the model, from ``Outlook.tolerance``.
    share : float
    level : float
        One-sided confidence of each.
    """
    low, high = _pair(response, *found)
    return Tolerance(
        share=share, of=_unit_of(response), level=level,
        lower=None if response.at_least is None else low, upper=None if response.at_most is None else high,
    )


def _unit_of(response: Response) -> str:
    """Return what a share of a response is a share of."""
    if response.per == "print":
        return "print"
    return "print mean" if response.requirement_on == "print mean" else "coupon"


def _of_printer(one: Fitted, coded: Array, code: int, level: float) -> dict[str, object]:
    assert one.inference is not None
    response, rows = one.data.response, one.data.rows(coded, code)
    mean = inference.chosen_means(one.inference, rows, level)
    ahead = inference.chosen_new_prints(one.inference, rows, level)
    return {
        "printer": one.data.printers[code], "mean": float(in_response_units(response, mean.estimates)[0]),
        "mean_interval": _pair(response, mean.low[0], mean.high[0]),
        "prediction_interval": _pair(response, ahead.low[0], ahead.high[0]),
    }


def _pair(response: Response, low: float, high: float) -> tuple[float, float]:
    """Return two values of the model's scale in response units."""
    return float(in_response_units(response, low)), float(in_response_units(response, high))


def _meets(response: Response, low: float, high: float) -> str:
    at_least, at_most = limits(response)
    if at_least is None and at_most is None:
        return ""
    floor, ceiling = -np.inf if at_least is None else at_least, np.inf if at_most is None else at_most
    if floor <= low and high <= ceiling:
        return "yes"
    return "no" if high < floor or low > ceiling else "not shown"
