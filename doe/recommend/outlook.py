"""What settings would do: from the posterior of every required response to the share of prints that meets all."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design.calibrated import Lines, PrinterLine
from doe.errors import InputRefused, Problem
from doe.model.data import ResponseData
from doe.numerics import calibration, conformance, correlated, posterior, tolerance
from doe.numerics.conformance import Margins, Single
from doe.numerics.posterior import Draws
from doe.study.spec import Factor, Response, Study

Array = NDArray[np.float64]

_DRAWS = 2000
_FEWER = 400  # for what is stated at one setting and costs more
_TIE = 1e-5
_SEED = 20  # any fixed one: the same record gives the same recommendation
_OTHERS = 1_000_000  # beyond the number of any response: a stream that none of them draws from


@dataclass(frozen=True)
class Outlook:
    """
    The posterior of every response that has a requirement.

    Parameters
    ----------
    views : tuple of ResponseData
    drawn : tuple of Draws
        One a response, in the same order.
    future : tuple of ndarray of shape (draws,)
        Standard deviation of what the requirement is about (a coupon, or a print's mean), one entry a response.
    requirements : tuple of Margins
        One a response, for a printer whose setpoints are exact.
    by_printer : tuple of tuple of Margins
        The same, one entry a printer, with the error of its line; one entry alone where no printer is named.
    nodes : ndarray of shape (m, k)
        Offsets of the actual setting from its setpoint that are averaged over, coded units.
    printers : tuple of str
        Those that printed, averaged over; empty where none is named.
    lines : mapping of (printer, factor) to PrinterLine
        What the errors of the printers' setpoints were drawn from.
    seen : tuple of tuple of Draws
        ``drawn`` with these errors, one entry a printer; one entry alone where no printer is named.
    bent : tuple of (place, Factor)
        Factors that scatter on a scale that is not linear; their nodes are shares of the half range in natural units.
    """

    views: tuple[ResponseData, ...]
    drawn: tuple[Draws, ...]
    future: tuple[Array, ...]
    requirements: tuple[Margins, ...]
    by_printer: tuple[tuple[Margins, ...], ...]
    nodes: Array
    printers: tuple[str, ...]
    lines: Lines
    seen: tuple[tuple[Draws, ...], ...]
    bent: tuple[tuple[int, Factor], ...] = ()

    @property
    def size(self) -> int:
        """How many draws there are."""
        return len(self.drawn[0].beta)

    def shares(self, coded: Array, draws: int | None = None, skipped: int = 0) -> Single:
        """
        Return the share of future prints that meet every requirement, all printers making equally many.

        Parameters
        ----------
        coded : ndarray of shape (m, k)
            Settings, coded units.
        draws : int, optional
            Only the first so many, for a quick look.
        skipped : int
            Draws at the beginning that are left out, as they are known.

        Returns
        -------
        ndarray of shape (m, draws - skipped)
        """
        names: Sequence[str | None] = self.printers or [None]
        total: Single = np.zeros(1, dtype=np.float32)
        for name, margins in zip(names, self.by_printer, strict=True):
            rows = self._rows(coded, name)
            total = total + conformance.conformance(rows, [_part(one, skipped, draws) for one in margins])
        return np.asarray(total / np.float32(len(names)))

    def of_each_printer(self, coded: Array) -> Single:
        """Return the share of each printer's prints, every printer at a setting of its own: ``coded`` of shape (printers, k)."""
        names: Sequence[str | None] = self.printers or [None]
        found = [
            conformance.conformance(self._rows(own[None], name), margins)[0]
            for name, own, margins in zip(names, coded, self.by_printer, strict=True)
        ]
        return np.stack(found)

    def score(self, coded: Array, draws: int | None = None) -> Array:
        """
        Return what the recommended setting maximises, shape (m,): the posterior mean of :meth:`shares`.

        Where requirements are met or missed by far, every share is one or zero; the smallest margin of any response, in
        standard deviations, then decides, with a weight that moves no choice otherwise.
        """
        rows = _each(self.views, lambda view: view.rows(coded))
        margin = np.min([one.at_mean(own) for own, one in zip(rows, self.requirements, strict=True)], axis=0)
        tie = _TIE * np.sign(margin) * np.log1p(np.abs(margin))
        return np.asarray(self.shares(coded, draws).mean(axis=1, dtype=float) + tie)

    def by_response(self, coded: Array) -> dict[str, Single]:
        """Return, per response alone, the share at one setting in each draw; ``coded`` has shape (1, k)."""
        rows = [self._rows(coded, name) for name in self.printers or [None]]
        found = {}
        for place, view in enumerate(self.views):
            each = [
                conformance.conformance([own[place]], [margins[place]])[0]
                for own, margins in zip(rows, self.by_printer, strict=True)
            ]
            found[view.response.name] = np.asarray(np.mean(each, axis=0))
        return found

    def tolerance(self, coded: Array, share: float, level: float) -> dict[str, tuple[float, float]]:
        """
        Return, per response, the limits that a share of future values stays above, and below, each by itself.

        Parameters
        ----------
        coded : ndarray of shape (1, k)
        share : float
            Of future values, over loads, prints and the scatter of the setpoint, average over the printers.
        level : float
            Posterior quantile.

        Returns
        -------
        dict of str to (lower, upper)
            On the scale of the model.
        """
        found = {}
        of_printers = [self._rows(coded, name) for name in self.printers or [None]]
        for place, (view, sd) in enumerate(zip(self.views, self.future, strict=True)):
            drawn, rows = [own[place] for own in self.seen], [own[place] for own in of_printers]
            low, high = tolerance.tolerance_limits(drawn, rows, sd, share, level)[0]
            found[view.response.name] = (float(low), float(high))
        return found

    def correlation(self, coded: Array) -> tuple[Array, Single] | None:
        """
        Return the correlation of the responses' future values, and the share at one setting that it leads to.

        Parameters
        ----------
        coded : ndarray of shape (1, k)

        Returns
        -------
        correlation : ndarray of shape (R, R)
            Median over the draws.
        shares : ndarray of shape (400,)
            Average over the printers, the error of their lines left out; None where it cannot be judged.
        """
        residual = _residual_correlation(self.views)
        if residual is None:
            return None
        within = correlated.correlation_draws(residual, _FEWER, generator())
        drawn = [_fewer(one) for one in self.drawn]
        counts = [float(np.mean(1 / view.counts)) for view in self.views]
        found = correlated.future_correlation(within, drawn, counts, [one[:_FEWER] for one in self.future])
        names: Sequence[str | None] = self.printers or [None]
        margins = [_part(one, 0, _FEWER) for one in self.requirements]
        shares = [correlated.with_correlation(self._rows(coded, name), margins, found) for name in names]
        return np.median(found, axis=0), np.asarray(np.mean(shares, axis=0), dtype=np.float32)

    def around(self, coded: Array) -> Array:
        """
        Return where prints really are whose setpoints scatter, shape (nodes, m, k), coded units.

        The spread of a setpoint is the same in natural units everywhere in the range; on a scale that is not linear it is
        taken at each setting.
        """
        found: Array = coded + self.nodes[:, None]
        for place, factor in self.bent:
            by = self.nodes[:, None, place] * factor.half_range
            found[:, :, place] = np.where(by == 0, coded[:, place], factor.coding.moved(coded[:, place], by))
        return found

    def _rows(self, coded: Array, printer: str | None) -> list[Array]:
        """Return each response's model rows at every node; a printer without values for it counts as the average."""
        around = self.around(coded).reshape(-1, coded.shape[1])

        def of(view: ResponseData) -> Array:
            code = view.printers.index(printer) if printer in view.printers else None
            return view.rows(around, code).reshape(len(self.nodes), len(coded), view.X.shape[1])

        return _each(self.views, of)


def _each(views: Sequence[ResponseData], make: Callable[[ResponseData], Array]) -> list[Array]:
    """Return what is made for every response, once for those of the same model, printers and rounds."""
    made: dict[tuple[object, ...], Array] = {}
    found = []
    for view in views:
        key = (view.model, view.levels, view.printers, view.X.shape[1])
        if key not in made:
            made[key] = make(view)
        found.append(made[key])
    return found


def outlook(
    study: Study, views: Sequence[ResponseData], printers: Sequence[str], lines: Lines | None = None
) -> Outlook:
    """
    Draw from the posterior of each response.

    Errors of the printers' lines are drawn once per draw, for all prints of a printer. What was wrong with a line while the
    study was printed is as wrong on the card, so that it cancels: only the differences of the printers from their average
    count, and the whole error where a printer drifted and is read by a new line.

    Parameters
    ----------
    study : Study
    views : sequence of ResponseData
        Of the responses that have a requirement.
    printers : sequence of str
        Those that printed.
    lines : mapping of (printer, factor) to PrinterLine, optional
        Without them setpoints are taken as exact.

    Raises
    ------
    InputRefused
        Print means that do not vary about the model.
    """
    sd = np.array([0.0 if factor.levels is not None else factor.setpoint_sd / factor.half_range for factor in study.factors])
    drawn = tuple(drawn_from(view, np.random.default_rng([_SEED, place])) for place, view in enumerate(views))
    future = tuple(_future(view, one) for view, one in zip(views, drawn, strict=True))
    margins = [_margins(view, one, spread) for view, one, spread in zip(views, drawn, future, strict=True)]
    errors = _line_errors(study, printers, lines or {})
    seen = [
        tuple(conformance.shifted(one, view.model, view.levels, *error) for view, one in zip(views, drawn, strict=True))
        for error in errors
    ]
    of_printers = [
        [_margins(view, one, spread) for view, one, spread in zip(views, own, future, strict=True)] for own in seen
    ]
    return Outlook(
        views=tuple(views),
        drawn=drawn,
        future=future,
        requirements=tuple(margins),
        by_printer=tuple(map(tuple, of_printers)),
        nodes=conformance.setpoint_nodes(sd),
        printers=tuple(printers),
        lines=lines or {},
        seen=tuple(seen),
        bent=tuple(
            (place, factor) for place, factor in enumerate(study.factors) if factor.has_nonlinear_scale and factor.setpoint_sd > 0
        ),
    )


def generator() -> np.random.Generator:
    """Return the generator of the search, always the same."""
    return np.random.default_rng([_SEED, _OTHERS])


def drawn_from(view: ResponseData, random: np.random.Generator) -> Draws:
    """Return draws from the posterior of one response; refused where its print means leave nothing to draw from."""
    data = posterior.PrintMeans(view.means, view.X, view.load, view.within_ss, view.within_dof, view.counts)
    try:
        return posterior.draws(data, _DRAWS, random)
    except ValueError as error:
        raise InputRefused(
            Problem(
                f"response {view.response.name}", str(error), "precision is judged by variation", "check the recorded values"
            )
        ) from None


def _future(view: ResponseData, drawn: Draws) -> Array:
    response = view.response
    return conformance.future_sd(drawn, response.coupons if response.requirement_on == "print mean" else 1)


def _margins(view: ResponseData, drawn: Draws, future: Array) -> Margins:
    return conformance.margins(drawn, future, *limits(view.response))


def _line_errors(study: Study, printers: Sequence[str], lines: Lines) -> list[tuple[Array, Array]]:
    """Return offset and slope of every printer's actual setting, coded, shape (draws, k); one of zeros without printers."""
    shape = (max(len(printers), 1), _DRAWS, len(study.factors))
    offsets, slopes = np.zeros(shape), np.zeros(shape)
    random = np.random.default_rng([_SEED, len(study.responses)])
    for column, factor in enumerate(study.factors):
        known = [lines.get((name, factor.name)) for name in printers]
        if factor.levels is not None or all(one is None for one in known):
            continue
        for place, one in enumerate(known):
            if one is not None:
                offsets[place, :, column], slopes[place, :, column] = _error(one, factor, random)
        settled = [place for place, one in enumerate(known) if one is not None and not _anew(one)]
        for errors in (offsets, slopes):
            errors[settled, :, column] -= errors[settled, :, column].mean(axis=0) if settled else 0.0
    return list(zip(offsets, slopes, strict=True))


def _anew(one: PrinterLine) -> bool:
    """Whether the card has another line than the study's prints, so that their errors do not cancel."""
    return one.line != one.printed


def _error(one: PrinterLine, factor: Factor, random: np.random.Generator) -> tuple[Array, Array]:
    """Draw the error of a line: scatter of its readings, and how well the probe touched; the probe itself is common to all."""
    offset, slope = np.zeros(_DRAWS), np.zeros(_DRAWS)
    if one.scatter is not None:
        line = calibration.with_scatter(one.line, one.scatter)
        offset, slope = conformance.line_error(line, factor.centre, factor.half_range, _DRAWS, random)
    contact = one.budget.contact / np.sqrt(3) / factor.half_range  # an even spread of this half-width
    return offset + random.normal(0, contact, _DRAWS), slope


def _residual_correlation(views: Sequence[ResponseData]) -> correlated.ResidualCorrelation | None:
    """Estimate how the responses of a print go together, from the prints that have all of them."""
    if len(views) < 2:
        return None
    common = sorted(set.intersection(*(set(view.names) for view in views)))
    rows = [np.array([view.names.index(name) for name in common], dtype=int) for view in views]
    if not common:
        return None
    means = np.column_stack([view.means[row] for view, row in zip(views, rows, strict=True)])
    load = None if views[0].load is None else np.unique(views[0].load[rows[0]], return_inverse=True)[1]
    try:
        return correlated.residual_correlation(means, np.hstack([v.X[row] for v, row in zip(views, rows, strict=True)]), load)
    except ValueError:
        return None


def _part(one: Margins, first: int, last: int | None) -> Margins:
    return replace(one, coefficients=one.coefficients[first:last], width=None if one.width is None else one.width[first:last])


def _fewer(one: Draws) -> Draws:
    return Draws(one.beta[:_FEWER], one.load_var[:_FEWER], one.print_var[:_FEWER], one.coupon_var[:_FEWER])


def limits(response: Response) -> tuple[float | None, float | None]:
    """Return the lower and upper limit of a requirement on the scale of the model: logarithms where that is declared."""
    given = (response.at_least, response.at_most)
    if response.transform == "log":
        return tuple(None if limit is None else float(np.log(limit)) for limit in given)  # type: ignore[return-value]
    return given
