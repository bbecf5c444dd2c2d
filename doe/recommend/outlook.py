"""What may be expected of any setting: the share of future prints that meet the requirements, draw by draw."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.errors import InputRefused, Problem
from doe.model.data import ResponseData
from doe.numerics import conformance, posterior
from doe.numerics.conformance import Margins, Single
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

_DRAWS = 2000
_TIE = 1e-5
_SEED = 20  # any fixed one: the same record gives the same recommendation


@dataclass(frozen=True)
class Outlook:
    """
    The posterior of every response that has a requirement.

    Parameters
    ----------
    views : tuple of ResponseData
    requirements : tuple of Margins
        One a response, in the same order.
    nodes : ndarray of shape (m, k)
        Offsets of the actual setting from its setpoint that are averaged over, coded units.
    printers : tuple of str
        Those that printed, averaged over; empty where none is named.
    """

    views: tuple[ResponseData, ...]
    requirements: tuple[Margins, ...]
    nodes: Array
    printers: tuple[str, ...]

    def shares(self, coded: Array, draws: int | None = None) -> Single:
        """
        Return the share of future prints that meet every requirement.

        Parameters
        ----------
        coded : ndarray of shape (m, k)
            Settings, coded units.
        draws : int, optional
            Only the first so many, for a quick look.

        Returns
        -------
        ndarray of shape (m, draws)
        """
        requirements = [
            Margins(one.coefficients[:draws], None if one.width is None else one.width[:draws]) for one in self.requirements
        ]
        return conformance.conformance([self._rows(view, coded) for view in self.views], requirements)

    def score(self, coded: Array, draws: int | None = None) -> Array:
        """
        Return what the recommended setting maximises, shape (m,): the posterior mean of :meth:`shares`.

        Where requirements are met or missed by far, every share is one or zero; the smallest margin of any response, in
        standard deviations, then decides, with a weight that moves no choice otherwise.
        """
        margin = np.min([one.at_mean(view.rows(coded)) for view, one in zip(self.views, self.requirements, strict=True)], axis=0)
        tie = _TIE * np.sign(margin) * np.log1p(np.abs(margin))
        return np.asarray(self.shares(coded, draws).mean(axis=1, dtype=float) + tie)

    def by_response(self, coded: Array) -> dict[str, Single]:
        """Return, per response alone, the share at one setting in each draw; ``coded`` has shape (1, k)."""
        return {
            view.response.name: conformance.conformance([self._rows(view, coded)], [one])[0]
            for view, one in zip(self.views, self.requirements, strict=True)
        }

    def _rows(self, view: ResponseData, coded: Array) -> Array:
        """Return model rows at every node and printer; a printer without values for this response counts as the average."""
        codes = [view.printers.index(name) if name in view.printers else None for name in self.printers] or [None]
        around = (coded + self.nodes[:, None]).reshape(-1, coded.shape[1])
        shape = (len(self.nodes), len(coded), view.X.shape[1])
        return np.concatenate([view.rows(around, code).reshape(shape) for code in codes])


def outlook(study: Study, views: Sequence[ResponseData], printers: Sequence[str]) -> Outlook:
    """
    Draw from the posterior of each response.

    Parameters
    ----------
    study : Study
    views : sequence of ResponseData
        Of the responses that have a requirement.
    printers : sequence of str
        Those that printed.

    Raises
    ------
    InputRefused
        Print means that do not vary about the model.
    """
    sd = np.array([0.0 if factor.levels is not None else factor.setpoint_sd / factor.half_range for factor in study.factors])
    requirements = [_requirement(view, np.random.default_rng([_SEED, place])) for place, view in enumerate(views)]
    return Outlook(tuple(views), tuple(requirements), conformance.setpoint_nodes(sd), tuple(printers))


def generator() -> np.random.Generator:
    """Return the generator of the search, always the same."""
    return np.random.default_rng(_SEED)


def _requirement(view: ResponseData, random: np.random.Generator) -> Margins:
    data = posterior.PrintMeans(view.means, view.X, view.load, view.within_ss, view.within_dof, view.counts)
    response = view.response
    try:
        drawn = posterior.draws(data, _DRAWS, random)
    except ValueError as error:
        raise InputRefused(
            Problem(
                f"response {response.name}", str(error), "precision is judged by variation", "check the recorded values"
            )
        ) from None
    coupons = response.coupons if response.requirement_on == "print mean" else 1
    return conformance.margins(drawn, conformance.future_sd(drawn, coupons), *limits(response))


def limits(response: Response) -> tuple[float | None, float | None]:
    """Return the lower and upper limit of a requirement on the scale of the model: logarithms where that is declared."""
    given = (response.at_least, response.at_most)
    if response.transform == "log":
        return tuple(None if limit is None else float(np.log(limit)) for limit in given)  # type: ignore[return-value]
    return given
