"""Models of graded or pass-fail responses: from log odds to the chance of meeting a requirement."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from doe.design import check
from doe.design.plan import PILOT, Design
from doe.model.data import ResponseData
from doe.model.results import JudgedColumn, JudgedFit, JudgedSetting
from doe.model.summary import meets
from doe.model.values import FAILED
from doe.numerics import binary, graded
from doe.numerics.load_allowance import LoadAllowance, Shares
from doe.numerics.proportionality import Proportionality, proportionality
from doe.record.match import Record
from doe.sheet.columns import NEVER_PRINTED
from doe.study import scale
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

PROPORTIONAL_ODDS = f"proportional odds, slopes normal about 0 with standard deviation {graded.SLOPE_SD:g} in advance"
FIRTH = "logit model with Firth's penalty"
COUNTS_ONLY = "counts only"
_PRINTS_PER_COLUMN = 1.5
_SIGNIFICANT = 0.05


@dataclass(frozen=True)
class _Judged:
    """One response's prints, arranged for its model."""

    response: Response
    data: ResponseData
    grades: NDArray[np.int64]
    """Place of each print's grade among the declared ones; 0 and 1 for fail and pass; shape (n,)."""
    met: Array
    """Values that meet the requirement, per print, shape (n,)."""
    tried: Array
    """Values, per print, shape (n,)."""


@dataclass(frozen=True)
class _Model:
    """What the numerics found."""

    method: str
    columns: tuple[JudgedColumn, ...]
    chances: Shares
    """At the settings that were printed."""
    loads: LoadAllowance
    proportional: Proportionality | None


def judged_fit(
    study: Study,
    plan: tuple[Design, Record],
    response: Response,
    data: ResponseData | None,
    refusal: Verdict | None,
) -> JudgedFit:
    """
    Fit the declared model to one graded or pass-fail response.

    Parameters
    ----------
    study : Study
    plan : tuple of Design and Record
    response : Response
        Of kind ``graded`` or ``pass_fail``.
    data : ResponseData or None
        From ``response_data``: grades as numbers, 1 for pass and 0 for fail. None where no value counts.
    refusal : Verdict or None
        Why the model cannot be had, where that is known already.

    Returns
    -------
    JudgedFit
        With counts alone, and a verdict, where the prints cannot carry the model.
    """
    judged = None if data is None else _arranged(response, data)
    cells, coded = _printed(study, *plan)
    model = None
    if judged is not None and refusal is None:
        model, refusal = _modelled(judged, coded, study.header.confidence)
    failed = _failed(*plan)
    said = [] if refusal is None else [refusal]
    if judged is not None:
        said += _of_values(judged, failed)
    if judged is not None and model is not None:
        said += _of_model(judged, model)
    test = None if model is None else model.proportional
    return JudgedFit(
        response=response.name,
        kind=response.kind,
        requirement=scale.describe_requirement(response, lambda number: f"{number:g}"),
        unit=_unit(response),
        method=COUNTS_ONLY if model is None else model.method,
        level=study.header.confidence,
        terms=() if data is None else tuple(scale.term_label(study, term) for term in data.model),
        prints=0 if judged is None else len(judged.tried),
        loads=0 if data is None else data.loads,
        values=0 if data is None else len(data.values),
        failed=sum(failed.values()),
        columns=() if model is None else model.columns,
        settings=_settings(cells, judged, failed, None if model is None else model.chances),
        load_sd=_load_sd(model),
        proportionality=_tested(test),
        untested=_untested(response, model),
        excluded=() if data is None else data.excluded,
        verdicts=tuple(said),
    )


def chance_at(
    study: Study, data: ResponseData | None, refusal: Verdict | None, coded: Array
) -> tuple[float, float, float] | None:
    """
    Return the chance of meeting the requirement at one setting, with the limits of its confidence interval.

    Parameters
    ----------
    study : Study
    data : ResponseData or None
    refusal : Verdict or None
        As for :func:`judged_fit`.
    coded : ndarray of shape (1, k)

    Returns
    -------
    (chance, low, high) or None
        None where the prints cannot carry the model.
    """
    if data is None or refusal is not None:
        return None
    model, _ = _modelled(_arranged(data.response, data), coded, study.header.confidence)
    if model is None:
        return None
    found = model.chances
    return float(found.estimates[0]), float(found.limits[0, 0]), float(found.limits[0, 1])


def _arranged(response: Response, data: ResponseData) -> _Judged:
    n = len(data.names)
    if response.kind == "pass_fail":
        met = np.asarray(np.bincount(data.of_print, data.values, minlength=n), dtype=np.float64)
        return _Judged(response, data, (met == data.counts).astype(np.int64), met, data.counts.astype(np.float64))
    lowest, highest = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(lowest, data.of_print, data.values)
    np.maximum.at(highest, data.of_print, data.values)
    worst = np.array([_worst(response, low, high) for low, high in zip(lowest, highest, strict=True)])
    place = {grade: number for number, grade in enumerate(response.grades or ())}
    return _Judged(
        response=response,
        data=data,
        grades=np.array([place[round(grade)] for grade in worst], dtype=np.int64),
        met=np.array([meets(response, grade) for grade in worst], dtype=float),
        tried=np.ones(n),
    )


def _worst(response: Response, low: float, high: float) -> float:
    """Return which grade of a print decides whether all of them meet the requirement."""
    if response.at_most is None:
        return low
    return low if response.at_least is not None and low < response.at_least else high


def _unit(response: Response) -> str:
    if response.per == "print" or response.coupons == 1:
        return "print"
    return "coupon" if response.kind == "pass_fail" else "print, judged by its worst coupon"


def _printed(study: Study, design: Design, record: Record) -> tuple[dict[int, str], Array]:
    """Return the cells of the plan that were printed, with their settings in words and coded; pilots left out."""
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    runs = design.runs
    tried = [str(ended.get(name, "")) not in ("", *NEVER_PRINTED) for name in runs["print"]]
    mine = runs[np.array(tried, dtype=bool) & (runs["round"] != PILOT).to_numpy()]
    mine = mine.drop_duplicates("cell").sort_values("cell")
    targets = check.settings_of(study, mine)
    described = [scale.describe_setting(study, row) for row in targets.to_dict("records")]
    coded = scale.coded(study, targets) if len(mine) else np.zeros((0, len(study.factors)))
    return dict(zip(map(int, mine["cell"]), described, strict=True)), coded


def _failed(design: Design, record: Record) -> Counter[int]:
    """Return how many prints failed per cell of the plan; pilots left out."""
    failed = set(record.prints.loc[record.prints["outcome"].isin(FAILED), "print"])
    mine = design.runs[design.runs["print"].isin(failed) & (design.runs["round"] != PILOT)]
    return Counter(map(int, mine["cell"]))


def _settings(
    cells: dict[int, str], judged: _Judged | None, failed: Counter[int], chances: Shares | None
) -> tuple[JudgedSetting, ...]:
    made = []
    for row, (cell, setting) in enumerate(cells.items()):
        here = np.zeros(0, dtype=bool) if judged is None else judged.data.cell == cell
        low, high = (None, None) if chances is None else map(float, chances.limits[row])
        made.append(
            JudgedSetting(
                cell=cell,
                setting=setting,
                values=0 if judged is None else int(judged.tried[here].sum()),
                meets=0 if judged is None else int(judged.met[here].sum()),
                failed=failed[cell],
                chance=None if chances is None else float(chances.estimates[row]),
                low=low,
                high=high,
            )
        )
    return tuple(made)


def _modelled(judged: _Judged, coded: Array, level: float) -> tuple[_Model | None, Verdict | None]:
    """Return the model with its chances at some settings, or why there is none."""
    refusal = _too_few(judged)
    if refusal is not None:
        return None, refusal
    try:
        return _fitted(judged, judged.data.rows(coded), level), None
    except (ValueError, np.linalg.LinAlgError) as error:
        return None, _no_model(judged, str(error))


def _too_few(judged: _Judged) -> Verdict | None:
    n, columns = judged.data.X.shape
    if n >= _PRINTS_PER_COLUMN * columns:
        return None
    return _no_model(
        judged,
        f"{n} prints gave values and the model has {columns} columns; it takes {_PRINTS_PER_COLUMN:g} prints a column",
    )


def _no_model(judged: _Judged, cause: str) -> Verdict:
    return Verdict(
        "counted, not modelled",
        cause,
        "read the counts per setting; add prints, or look at a smaller model with --terms",
        judged.response.name,
    )


def _fitted(judged: _Judged, rows: Array, level: float) -> _Model:
    return (_fitted_passes if judged.response.kind == "pass_fail" else _fitted_grades)(judged, rows, level)


def _fitted_passes(judged: _Judged, rows: Array, level: float) -> _Model:
    fit = binary.fit_binary(judged.met, judged.tried, judged.data.X, judged.data.load)
    columns = _columns(judged.data.labels, fit.estimates, binary.coefficient_limits(fit, level))
    return _Model(FIRTH, columns, binary.pass_shares(fit, rows, level), fit.loads, None)


def _fitted_grades(judged: _Judged, rows: Array, level: float) -> _Model:
    data, grades = judged.data, judged.response.grades or ()
    fit = graded.fit_graded(judged.grades, data.X, len(grades), data.load)
    centre = np.eye(1, data.X.shape[1])
    starts = [group[0] for group in fit.groups[1:]]
    shares = [graded.at_least(fit, centre, start, level) for start in starts]
    intercepts = _columns(
        tuple(f"intercept, grade {grades[start]} or better" for start in starts),
        special.logit([share.estimates[0] for share in shares]),
        special.logit([share.limits[0] for share in shares]),
    )
    slopes = _columns(data.labels[1:], fit.slopes, graded.slope_limits(fit, level))
    chances = _chances(judged.response, fit, rows, level)
    test = proportionality(judged.grades, data.X, len(grades))
    return _Model(PROPORTIONAL_ODDS, (*intercepts, *slopes), chances, fit.loads, test)


def _chances(response: Response, fit: graded.GradedFit, rows: Array, level: float) -> Shares:
    """
    Return the chance of a grade within the requirement.

    With two limits, each of the two chances that it is the difference of has half of the error, so that the interval
    holds at least at its level (Bonferroni).
    """
    grades = response.grades or ()
    low = 0 if response.at_least is None else grades.index(round(response.at_least))
    over = len(grades) if response.at_most is None else grades.index(round(response.at_most)) + 1
    each = level if low == 0 or over == len(grades) else (1 + level) / 2
    enough = graded.at_least(fit, rows, low, each)
    if over == len(grades):
        return enough
    above = graded.at_least(fit, rows, over, each)
    limits = enough.limits - above.limits[:, ::-1]
    return Shares(enough.estimates - above.estimates, np.clip(limits, 0.0, 1.0))


def _columns(labels: tuple[str, ...], estimates: Array, limits: Array) -> tuple[JudgedColumn, ...]:
    return tuple(
        JudgedColumn(label, float(estimate), _finite(low), _finite(high))
        for label, estimate, (low, high) in zip(labels, estimates, limits, strict=True)
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _load_sd(model: _Model | None) -> float | None:
    """Return the standard deviation of loads; None where no load holds several prints."""
    return None if model is None or not model.loads.covariance.any() else float(model.loads.load_var**0.5)


def _tested(test: Proportionality | None) -> dict[str, float] | None:
    if test is None or test.reason:
        return None
    return {"statistic": test.statistic, "dof": test.dof, "p": test.p}


def _untested(response: Response, model: _Model | None) -> str:
    if response.kind == "pass_fail":
        return "pass and fail have one threshold"
    if model is None or model.proportional is None:
        return "there is no model"
    return model.proportional.reason


def _of_values(judged: _Judged, failed: Counter[int]) -> Iterator[Verdict]:
    """Yield what the values ask to be said, with a model or without."""
    name, count = judged.response.name, sum(failed.values())
    if count:
        have = "1 failed print counts" if count == 1 else f"{count} failed prints count"
        yield Verdict(
            "failed prints not judged",
            f"{have} as failed and with no value of this response, also where one was typed in; chances are those of prints "
            "that complete",
            "look at the settings of the failed prints beside these chances",
            name,
        )
    if np.ptp(judged.data.values) == 0:
        value = judged.data.values[0]
        seen = f"got grade {value:g}" if judged.response.kind == "graded" else "passed" if value else "failed"
        yield Verdict(
            "no spread",
            f"all {len(judged.data.values)} values {seen}: nothing is seen of what the settings do to this response",
            "do not read this as no effect; test harder, or widen the ranges, to see a difference",
            name,
        )
    elif judged.response.kind == "graded":
        yield from _unseen(judged)


def _unseen(judged: _Judged) -> Iterator[Verdict]:
    seen = set(judged.grades.tolist())
    empty = [str(grade) for place, grade in enumerate(judged.response.grades or ()) if place not in seen]
    if empty:
        yield Verdict(
            "grades not seen",
            f"no print that completed got grade {', '.join(empty)}: a model joins them to a neighbour or keeps them by the prior",
            "nothing to do where none was expected; else judge whether the scale suits the prints",
            judged.response.name,
        )


def _of_model(judged: _Judged, model: _Model) -> Iterator[Verdict]:
    name, test = judged.response.name, model.proportional
    if model.loads.reason:
        yield Verdict(
            "too few loads",
            model.loads.reason,
            "add loads; until then take the intervals as a guess of how much loads differ",
            name,
        )
    if test is not None and not test.reason and test.p < _SIGNIFICANT:
        yield Verdict(
            "effects differ between grades",
            f"equal effects at every grade do not fit: chi-square({test.dof}) = {test.statistic:.3g}, p = {test.p:.2g}",
            "compare the chances with the counts; loads that differ can cause this too",
            name,
        )
