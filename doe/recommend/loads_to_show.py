"""
How many more loads are expected to show what the estimate says: a rough rule, from the posterior alone.

For some draws in turn taken as the truth, single-print loads of the recommended setting are simulated, and every response's
other draws are weighted by how well they agree with the means and coupons of these prints. The responses' draws are
independent, so each is drawn again by its own weights. The bound of what comes out is what the study's bound would be.

Measured on 56 simulated studies with a window that was not shown (30 prints on 6 loads, three responses, four factors; all
data fitted again with the added loads): after 6 loads the bound was 0.014 higher than expected here on average, after 15
0.028. Where 6 loads were expected to be enough they were in 27 of 30, where not in 11 of 26; 15 were in 55 of 56. The rule
errs on the side of more loads where the truth is better than the posterior says, as it was there (0.98).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.numerics.posterior import Draws
from doe.recommend.bounds import Chosen

Array = NDArray[np.float64]

COUNTS = (3, 6, 10, 15, 20)

_TRUTHS = 60
_SEED = 22  # any fixed one: the same record gives the same numbers


@dataclass(frozen=True)
class Shown:
    """The bound that is expected after some more loads: the median over what those may bring."""

    loads: int
    bound: float


def loads_to_show(chosen: Chosen, counts: tuple[int, ...] = COUNTS) -> tuple[Shown, ...]:
    """
    Return the bound that is expected after some numbers of single-print loads of the recommended setting.

    Parameters
    ----------
    chosen : Chosen
    counts : tuple of int
        Numbers of loads, each at least 2; without recorded loads, of prints.

    Returns
    -------
    tuple of Shown
        One a number. Roughly: the scatter about the setpoint counts for each response by itself, and the setting is taken
        to be as good as the posterior says, which it is not quite where it was chosen for looking good.
    """
    view, generator = chosen.view, np.random.default_rng(_SEED)
    alone = view.by_response(chosen.coded)
    known = [_Known(view.views[r], view.drawn[r], chosen.coded) for r in range(len(view.views))]
    shares = [alone[one.response.name].astype(float) for one in view.views]
    truths = np.linspace(0, len(shares[0]) - 1, _TRUTHS).astype(int)
    found = []
    for loads in counts:
        together = np.ones((_TRUTHS, len(shares[0])))
        for one, share in zip(known, shares, strict=True):
            together *= share[_drawn_again(one.log_weights(truths, loads, generator), generator)]
        bounds = np.quantile(together, chosen.quantile, axis=1, method="inverted_cdf")
        found.append(Shown(loads, float(np.median(bounds))))
    return tuple(found)


class _Known:
    """What the posterior says of one response at the setting: mean, variance of a print on a new load, and of a coupon."""

    def __init__(self, data: ResponseData, draws: Draws, coded: Array) -> None:
        self.coupons = data.response.coupons
        self.mean = draws.beta @ data.rows(coded)[0]
        self.coupon_var = draws.coupon_var
        self.print_var = draws.load_var + draws.print_var + draws.coupon_var / self.coupons

    def log_weights(self, truths: NDArray[np.int64], loads: int, generator: np.random.Generator) -> Array:
        """Return the log likelihood of every draw for prints simulated from some, shape (truths, draws)."""
        mean, variance = self.mean[truths], self.print_var[truths]
        seen = mean + np.sqrt(variance / loads) * generator.standard_normal(len(truths))
        squares = variance * generator.chisquare(loads - 1, len(truths))
        about = squares[:, None] + loads * (seen[:, None] - self.mean) ** 2
        found = -(loads * np.log(self.print_var) + about / self.print_var) / 2
        dof = loads * (self.coupons - 1)
        if dof and self.coupon_var.all():
            within = self.coupon_var[truths] * generator.chisquare(dof, len(truths))
            found -= (dof * np.log(self.coupon_var) + within[:, None] / self.coupon_var) / 2
        return np.asarray(found)


def _drawn_again(log_weights: Array, generator: np.random.Generator) -> NDArray[np.int64]:
    """Return numbers of draws by their weights, one row a truth, in random order."""
    rows, size = log_weights.shape
    reached = np.cumsum(np.exp(log_weights - log_weights.max(axis=1, keepdims=True)), axis=1)
    # Of the evenly spaced (place + start) / size, place from 0, so many are at or below each draw's summed weight.
    start = generator.random((rows, 1))
    below = np.floor(reached * (size / reached[:, -1:]) - start).astype(np.int64) + 1
    below[:, -1] = size
    times = np.diff(below, axis=1, prepend=0)
    found = np.repeat(np.tile(np.arange(size), rows), times.ravel()).reshape(rows, size)
    return generator.permuted(found, axis=1)
