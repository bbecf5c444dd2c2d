"""Where the mean of confirmation prints lies beside its prediction interval: ``below``, ``inside``, ``above`` or ``open``."""

from collections.abc import Sequence

import numpy as np

from doe.model.data import ResponseData
from doe.numerics import confirming


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
