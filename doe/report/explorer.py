"""What the page needs to predict at any setting by itself, as JSON values.

Means and intervals are those of ``doe.model.inference`` for a setting named beforehand; nothing is thinned for them. The
conformance is that of ``Outlook.shares`` from the first so many of its draws, in the single precision that they have: all of
them where they fit into the page (:data:`ROOM`), else as many as do; :func:`shares` computes the same here, and the page says of
how many draws it speaks. What the page must find at its first setting goes with it, so that it can check its own arithmetic.
"""

import base64
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import qmc

from doe.design.calibrated import Lines
from doe.model import inference
from doe.model.measured import Fitted
from doe.numerics import coding, desirability
from doe.numerics.conformance import Margins, bound_coverage
from doe.numerics.mixture import Mixture
from doe.numerics.terms import column_terms
from doe.recommend import search
from doe.recommend.desirable import goal_of
from doe.recommend.outlook import Outlook
from doe.recommend.search import Axis, Region
from doe.report import numbers
from doe.report.inputs import ReportInputs
from doe.report.sliders import on_scale
from doe.report.tables import words
from doe.study import scale
from doe.study.spec import Factor, Response, Study
from doe.study.z_direction import is_turned

Array = NDArray[np.float64]

ROOM = 1_000_000
"""Bytes that the draws may take before they are written as text, which adds a third."""

_LINEAR, _CUBIC = float(np.float32(1.5976)), float(np.float32(0.07056599))  # of conformance.met
_SAMPLE = 64
_OUTER = 5.0  # percent of the settings whose intervals may leave the drawn scale at either end
_PAD = 0.04
_SLACK = 1e-9
_FEWEST = 200


def explorer(inputs: ReportInputs, fitted: Sequence[Fitted], lines: Lines) -> dict[str, Any] | None:
    """
    Return what the page computes with.

    Parameters
    ----------
    inputs : ReportInputs
    fitted : sequence of Fitted
        The measured responses of the report's fit.
    lines : mapping of (printer, factor) to PrinterLine
        Of the printers that were read.

    Returns
    -------
    dict or None
        JSON values; None where no response has a model that says how precise it is.
    """
    modelled = [one for one in fitted if one.inference is not None]
    if not modelled:
        return None
    area = _region(inputs, modelled)
    start = _start(inputs, area)
    coded = _coded(area, start)
    return {
        "level": inputs.study.header.confidence,
        "levelText": numbers.level(inputs.study.header.confidence),
        "recommended": inputs.recommendation is not None,
        "start": start,
        "factors": [_factor(inputs, axis) for axis in area.axes],
        "responses": [_response(one, area, coded) for one in modelled],
        "conformance": _conformance(inputs, [one.data.response.name for one in modelled]),
        "goals": _goals(modelled, fitted),
        "region": _of_region(inputs.study, area),
        "printers": _printers(inputs, lines),
        "check": check(inputs, modelled, coded),
    }


def check(inputs: ReportInputs, fitted: Sequence[Fitted], coded: Array) -> dict[str, Any]:
    """
    Return what the page must find at a setting.

    Parameters
    ----------
    inputs : ReportInputs
    fitted : sequence of Fitted
        With an inference.
    coded : ndarray of shape (1, k)
        Coded units.

    Returns
    -------
    dict
        ``responses``: mean, limits of its interval and of a new print's, response units (None where loads leave none);
        ``estimate`` and ``bound`` of the conformance, None without requirements; ``overall`` desirability, None without aims.
    """
    level, chosen = inputs.study.header.confidence, inputs.chosen
    found = [_limits_at(one, coded, level) for one in fitted]
    result: dict[str, Any] = {"responses": found, "estimate": None, "bound": None, "overall": None}
    if all(one.data.response.aim is not None for one in fitted):
        goals = [goal_of(one.data.response) for one in fitted]
        worth = [desirability.desirability(one["mean"], goal) for one, goal in zip(found, goals, strict=True)]
        result["overall"] = float(desirability.overall(worth, [goal.priority for goal in goals]))
    if chosen is not None:
        drawn = shares(chosen.view, coded, drawn_in_page(chosen.view))
        bound = np.quantile(drawn, chosen.quantile, method="inverted_cdf")
        result |= {"estimate": float(np.median(drawn)), "bound": float(bound)}
    return result


def shares(view: Outlook, coded: Array, size: int) -> Array:
    """
    Return the share of future prints that meet every requirement at one setting, as the page computes it.

    Parameters
    ----------
    view : Outlook
    coded : ndarray of shape (1, k)
        Coded units.
    size : int
        How many of the draws.

    Returns
    -------
    ndarray of shape (size,)
        In double precision from coefficients in single; ``Outlook.shares`` rounds every step to single precision.
    """
    around = view.around(coded)[:, 0]
    total = np.zeros(size)
    for name, margins in zip(view.printers or [None], view.by_printer, strict=True):
        share = np.ones((len(around), size))
        for data, one in zip(view.views, margins, strict=True):
            code = data.printers.index(name) if name in data.printers else None
            share *= _met(data.rows(around, code) @ one.coefficients[:size].astype(float).T, one, size)
        total += share.mean(axis=0)
    return total / len(view.by_printer)


def _met(distance: Array, one: Margins, size: int) -> Array:
    if one.width is None:
        return _normal_share(distance)
    between = _normal_share(distance) + _normal_share(one.width[:size].astype(float) - distance) - 1
    return np.asarray(np.maximum(between, 0.0))


def _normal_share(z: Array) -> Array:
    with np.errstate(over="ignore"):  # far below a limit the share is zero
        return np.asarray(1 / (1 + np.exp(-z * (_LINEAR + _CUBIC * z * z))))


def drawn_in_page(view: Outlook) -> int:
    """Return how many draws of the posterior go into the page: all, or as many as :data:`ROOM` holds, 200 at least."""
    every = len(view.by_printer[0][0].coefficients)
    numbers_of_draw = sum(
        one.coefficients.shape[1] + (one.width is not None) for margins in _different(view)[0] for one in margins
    )
    return int(min(every, max(_FEWEST, ROOM // (4 * numbers_of_draw))))


def _different(view: Outlook) -> tuple[list[tuple[Margins, ...]], list[int]]:
    """Return the margins that differ among the printers, and which of them each printer has."""
    kept: list[tuple[Margins, ...]] = []
    places = []
    for margins in view.by_printer:
        same = [place for place, other in enumerate(kept) if all(a is b for a, b in zip(margins, other, strict=True))]
        places.append(same[0] if same else len(kept))
        kept += [] if same else [margins]
    return kept, places


# Settings


def _region(inputs: ReportInputs, fitted: Sequence[Fitted]) -> Region:
    if inputs.chosen is not None:
        return inputs.chosen.area
    printed = [name for name in dict.fromkeys(inputs.design.fitted["printer"]) if name]
    return search.region(inputs.study, [one.data for one in fitted], printed)


def _start(inputs: ReportInputs, area: Region) -> list[int]:
    """Return the place of the recommended value on each factor's increments, the middle one without a recommendation."""
    every = [_values(axis.factor) for axis in area.axes]
    if inputs.recommendation is None:
        return [len(values) // 2 for values in every]
    wanted = {one.factor: one.value for one in inputs.recommendation.settings}
    return [values.index(wanted[axis.factor.name]) for values, axis in zip(every, area.axes, strict=True)]


def _values(factor: Factor) -> list[float | str]:
    """Return every value of a factor that can be set, natural units or levels."""
    if factor.levels is not None:
        return list(factor.levels)
    assert factor.low is not None and factor.high is not None and factor.increment is not None
    steps = int((factor.high - factor.low) / factor.increment + _SLACK)
    found = coding.round_to_increment(factor.low + factor.increment * np.arange(steps + 1), factor.increment, factor.low)
    return [float(value) for value in found]


def _coded(area: Region, places: Sequence[int]) -> Array:
    """Return the setting at some places of the factors' increments, coded units, shape (1, k)."""
    values = [_values(axis.factor)[place] for axis, place in zip(area.axes, places, strict=True)]
    return np.array([[_code(axis.factor, value) for axis, value in zip(area.axes, values, strict=True)]])


def _code(factor: Factor, value: float | str) -> float:
    if factor.levels is not None:
        return float(factor.levels.index(str(value)))
    return float(factor.coding.coded(float(value)))


def _factor(inputs: ReportInputs, axis: Axis) -> dict[str, Any]:
    factor = axis.factor
    found = inputs.recommendation
    setting = None if found is None else next(one for one in found.settings if one.factor == factor.name)
    return {
        "name": words(factor.name), "unit": factor.display_unit, "ofLoad": factor.change == "load",
        "values": _values(factor), "named": factor.levels is not None, "low": factor.low, "high": factor.high,
        "printed": [axis.value(place) for place in range(len(axis.natural))] if factor.levels is not None
        else [float(axis.natural[0]), float(axis.natural[-1])] if len(axis.natural) else [],
        "near": None if setting is None else list(setting.interval), **on_scale(inputs, factor, _values(factor)),
    }


def _of_region(study: Study, area: Region) -> dict[str, Any]:
    """Return the constraints, and of every different model matrix a root of (X'X)^-1 with how far its prints reach."""
    return {
        "reaches": [{"root": root.tolist(), "limit": limit, "columns": _columns(view)} for view, root, limit in area.reaches],
        "constraints": [
            {"weights": list(weights), "limit": float(limit), "text": _in_words(one.coef, one.limit)}
            for weights, limit, one in zip(area.weights.tolist(), area.limits, study.constraints, strict=True)
        ],
    }


def _in_words(weights: Mapping[str, float], limit: float) -> str:
    shown = [f"{numbers.exact(weight)} × {words(name)}" for name, weight in weights.items()]
    return f"{' + '.join(shown)} at most {numbers.exact(limit)}"


# Models


def _columns(data: Any) -> dict[str, Any]:  # noqa: ANN401 - ResponseData
    """Return what each column of the model matrix stands for; the blocks' columns come last, printers before rounds."""
    columns = column_terms(data.model, data.levels)
    return {
        "terms": [list(term) for term, _ in columns], "contrasts": [list(contrasts) for _, contrasts in columns],
        "levels": list(data.levels), "blocks": data.blocks, "printers": list(data.printers),
    }


def _response(one: Fitted, area: Region, coded: Array) -> dict[str, Any]:
    inferred, response = one.inference, one.data.response
    assert inferred is not None
    mixed = inferred.mixed
    return {
        "name": words(response.name), "unit": "" if response.display_unit == "1" else response.display_unit,
        "log": response.transform == "log", "atLeast": response.at_least, "atMost": response.at_most,
        "requirement": scale.describe_requirement(response, numbers.exact), "on": _unit_of(response),
        "columns": _columns(one.data), "ofLoads": inferred.of_loads, "estimates": mixed.estimates.tolist(),
        "covariance": mixed.covariance.tolist(), "adjusted": mixed.adjusted_covariance.tolist(),
        "slopes": np.asarray(mixed.covariance_slopes).tolist(), "variances": mixed.variances.tolist(),
        "variancesCovariance": np.asarray(mixed.variances_covariance).tolist(), "extra": inferred.extra.tolist(),
        "mixture": None if inferred.mixture is None else _mixture(inferred.mixture, mixed.estimates, inferred.extra),
        "scale": _scale(one, area, coded),
    }


def _unit_of(response: Response) -> str:
    """Return what a share of is meant, in the plural."""
    if response.per == "print":
        return "prints"
    return "print means" if response.requirement_on == "print mean" else "coupons"


def _mixture(found: Mixture, estimates: Array, extra: Array) -> dict[str, Any]:
    """Return a posterior on its grid; centres as distances from the estimates, so that single precision is enough."""
    added = extra if found.ratios.shape[1] + 1 == len(extra) else np.array([1.0, 1.0])
    size = found.centres.shape[1]
    upper = np.triu_indices(size)
    return {
        "points": len(found.weights), "dof": found.dof, "weights": _packed(found.weights, "<f8"), "q": _packed(found.q, "<f8"),
        "new": _packed(np.column_stack([found.ratios, np.ones(len(found.ratios))]) @ added, "<f8"),
        "centres": _packed(found.centres - estimates), "covariances": _packed(found.covariances[:, upper[0], upper[1]]),
    }


def _limits_at(one: Fitted, coded: Array, level: float) -> dict[str, Any]:
    assert one.inference is not None
    rows = one.data.rows(coded)
    mean, ahead = inference.means(one.inference, rows, level), inference.new_prints(one.inference, rows, level)
    values = _back(one.data.response, np.array([mean.estimates[0], mean.low[0], mean.high[0], ahead.low[0], ahead.high[0]]))
    middle, *ends = (float(value) if np.isfinite(value) else None for value in values)
    return {"mean": middle, "interval": ends[:2], "print": ends[2:]}


def _back(response: Response, values: Array) -> Array:
    return np.asarray(np.exp(values)) if response.transform == "log" else values


def _scale(one: Fitted, area: Region, coded: Array) -> list[float]:
    """Return the ends of a response's bar: what new prints may do nearly everywhere that may be recommended, and the limits."""
    assert one.inference is not None
    ahead = inference.new_prints(one.inference, one.data.rows(np.vstack([_sample(area), coded])), one.result.level)
    low, high = (np.where(np.isfinite(end), end, ahead.estimates) for end in (ahead.low, ahead.high))
    seen = [*np.percentile(low, [_OUTER]), *np.percentile(high, [100 - _OUTER]), low[-1], high[-1]]
    response = one.data.response
    limits = [limit for limit in (response.at_least, response.at_most) if limit is not None]
    values = np.concatenate([_back(response, np.array(seen)), limits])
    pad = _PAD * float(np.ptp(values)) or 1.0
    least = float(values.min()) - pad
    return [max(least, 0.0) if values.min() >= 0 else least, float(values.max()) + pad]


def _sample(area: Region) -> Array:
    """Return an even (Sobol) sample of the settings that may be recommended, coded units, shape (m, k)."""
    sizes = np.array([len(axis.natural) for axis in area.axes])
    if not sizes.all():
        return np.zeros((0, len(sizes)))
    places = (qmc.Sobol(len(sizes), scramble=False).random(_SAMPLE) * sizes).astype(np.int64)
    return area.coded(places[area.allows(places)])


# Conformance and desirability


def _goals(modelled: Sequence[Fitted], fitted: Sequence[Fitted]) -> list[dict[str, Any]] | None:
    """Return what each response's mean is worth; nothing without aims, or where a response with one has no model here."""
    if len(modelled) < len(fitted) or any(one.data.response.aim is None for one in modelled):
        return None
    return [asdict(goal_of(one.data.response)) for one in modelled]


def _conformance(inputs: ReportInputs, names: Sequence[str]) -> dict[str, Any] | None:
    """Return the draws as distances from the limits, per response and printer; nothing where no share was asked for."""
    if inputs.chosen is None:
        return None
    view, size = inputs.chosen.view, drawn_in_page(inputs.chosen.view)
    kept, of_printer = _different(view)
    rank = int(np.quantile(np.arange(size), inputs.chosen.quantile, method="inverted_cdf"))
    return {
        "draws": size, "every": len(view.by_printer[0][0].coefficients), "rank": rank, "linear": _LINEAR, "cubic": _CUBIC,
        "required": inputs.chosen.required, "requiredText": numbers.level(inputs.chosen.required),
        "boundText": numbers.level(bound_coverage(inputs.chosen.quantile)),
        "responses": [names.index(data.response.name) for data in view.views], "nodes": view.nodes.tolist(),
        "printers": list(view.printers), "ofPrinter": of_printer,
        "left": [words(one.name) for one in inputs.study.responses if one.kind != "measured"],
        "margins": [[_margins(one, size) for one in margins] for margins in kept],
    }


def _margins(one: Margins, size: int) -> dict[str, Any]:
    return {
        "coefficients": _packed(one.coefficients[:size]), "width": None if one.width is None else _packed(one.width[:size]),
    }


def _packed(values: ArrayLike, kind: str = "<f4") -> str:
    """Return numbers in base64: little-endian, single precision unless said, the last axis fastest."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode()


# Printers


def _printers(inputs: ReportInputs, lines: Lines) -> list[dict[str, Any]]:
    """Return the line of every factor that a reference probe has read, per printer that printed."""
    printed = {name for name in inputs.design.fitted["printer"] if name}
    return [
        {
            "name": printer.name, "lines": [_line(lines, printer.name, factor) for factor in inputs.study.factors],
            "turned": [is_turned(factor, printer) for factor in inputs.study.factors],
        }
        for printer in inputs.study.printers if printer.name in printed
    ]


def _line(lines: Lines, printer: str, factor: Factor) -> dict[str, float] | None:
    one = lines.get((printer, factor.name))
    if one is None:
        return None
    step = factor.increment or 0.0
    slack = step + _SLACK * max(abs(one.line.low), abs(one.line.high), 1.0)  # as calibration.covers
    return {
        "intercept": one.line.intercept, "slope": one.line.slope, "low": one.line.low - slack, "high": one.line.high + slack,
        "origin": factor.low or 0.0, "step": step,
    }
