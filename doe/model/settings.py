"""The settings that prints really had: the plan's, another setpoint that was used, or a trusted reading at the print."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from doe.design import calibrated, setpoints
from doe.design.calibrated import Lines
from doe.design.plan import Design
from doe.record.match import Record
from doe.study import z_direction
from doe.study.spec import Factor, Study

Array = NDArray[np.float64]

LEAST_RELIABILITY = 0.9
_FEWEST = 3


@dataclass(frozen=True)
class Readings:
    """What readings of a factor's actual value at the prints are worth."""

    factor: str
    unit: str
    prints: int
    """Prints with a reading."""
    of: int
    """Prints that were tried."""
    reliability: float | None
    """
    Share of the variance of the readings that is not their error, 1 - reading_sd^2 / variance: the factor by which slopes
    would be flattened (Fuller, *Measurement Error Models* (1987), eq. 1.1.7, from memory). None below three readings.
    """
    offset: float | None
    """Mean of the readings less what the setpoints give, by the printers' checks."""
    offset_p: float | None
    """Chance of as large a mean by chance alone; None below three readings or without any scatter."""
    used: bool
    """Whether the readings count: the ratio is 0.9 or more."""
    weight: float | None
    """How much of a reading's deviation from its setpoint counts, 0 to 1: the share that is not the error of reading."""


def actual_settings(study: Study, design: Design, record: Record) -> pd.DataFrame:
    """
    Return, per print of the plan, the settings that it really had.

    A setpoint that was used instead of the plan's counts, and the printers' checks turn setpoints into actual values. Where
    the study gives the error of a reading at the print (``reading_sd``), and the readings are reliable enough, a print moves
    by the share of its reading's deviation that is not the error of reading. A mean deviation of a printer's readings moves
    nothing, since the card turns actual values into setpoints by the checks alone; a verdict names it. Taken as they are,
    readings would flatten slopes and curvature by their error; this value is the expected actual setting given setpoint and
    reading, and scatter about such a value flattens nothing (regression calibration: Carroll, Ruppert, Stefanski and
    Crainiceanu, *Measurement Error in Nonlinear Models*, 2nd ed. (2006), ch. 4, from memory).

    Parameters
    ----------
    study : Study
    design : Design
    record : Record

    Returns
    -------
    DataFrame of shape (prints of the plan, factors)
        Natural units, or level names.
    """
    settings = _by_setpoints(study, design, record)
    for factor, found in _judged_readings(study, design, record, settings):
        if found.used and found.weight is not None:
            read = _read(study, design, record, factor)
            settings[factor.name] = _expected(design, read, settings[factor.name], found.weight)
    return pd.DataFrame(settings)


def readings(study: Study, design: Design, record: Record) -> tuple[Readings, ...]:
    """Return what the readings of each factor are worth that has a declared error of reading."""
    settings = _by_setpoints(study, design, record)
    return tuple(found for _, found in _judged_readings(study, design, record, settings))


def _by_setpoints(study: Study, design: Design, record: Record) -> dict[str, NDArray[Any]]:
    """Return every factor's value at every print of the plan, by its setpoint."""
    lines = calibrated.lines_of(study, record.checks)
    return {factor.name: _by_setpoint(study, design, record, factor, lines) for factor in study.factors}


def _by_setpoint(study: Study, design: Design, record: Record, factor: Factor, lines: Lines) -> NDArray[Any]:
    runs = design.runs
    used = record.prints.set_index("print").reindex(runs["print"]).get(f"used.{factor.name}")
    planned = runs[f"set.{factor.name}"]
    if factor.levels is not None:
        changed = planned if used is None else used.fillna("").to_numpy()
        return np.where(np.asarray(changed != ""), np.asarray(changed), np.asarray(planned))
    given = np.full(len(runs), np.nan) if used is None else used.to_numpy(dtype=float)
    values = np.where(np.isnan(given), planned.to_numpy(dtype=float), given)
    return setpoints.actual_of(study, factor, values, list(runs["printer"]), lines)


def _read(study: Study, design: Design, record: Record, factor: Factor) -> Array:
    """Return the readings of a factor at every print of the plan, in the study's sense; nan where there is none."""
    column = record.prints.set_index("print").reindex(design.runs["print"]).get(f"read.{factor.name}")
    given = np.full(len(design.runs), np.nan) if column is None else column.to_numpy(dtype=float)
    return z_direction.turned_prints(study, factor, given, list(design.runs["printer"]))


def _expected(design: Design, read: Array, by_setpoint: NDArray[Any], weight: float) -> Array:
    """Return the expected actual values given setpoints and readings."""
    away = read - by_setpoint - _moved(design, read, by_setpoint)
    return np.asarray(by_setpoint + weight * np.where(np.isnan(away), 0.0, away), dtype=float)


def _moved(design: Design, read: Array, by_setpoint: NDArray[Any]) -> Array:
    """Return, per print, the mean deviation of its printer's readings; of all readings where the printer has fewer than three."""
    away, printers = read - by_setpoint.astype(float), design.runs["printer"].to_numpy()
    moved = np.full(len(read), np.nanmean(away))
    for name in dict.fromkeys(printers):
        mine = printers == name
        if (~np.isnan(away[mine])).sum() >= _FEWEST:
            moved[mine] = np.nanmean(away[mine])
    return moved


def _judged_readings(
    study: Study, design: Design, record: Record, settings: dict[str, NDArray[Any]]
) -> list[tuple[Factor, Readings]]:
    tried = record.prints.set_index("print").reindex(design.runs["print"])["outcome"].fillna("").to_numpy() != ""
    judged = []
    for factor in study.factors:
        if factor.reading_sd is None:
            continue
        values = _read(study, design, record, factor)
        seen = ~np.isnan(values)
        by_setpoint = settings[factor.name].astype(float)
        spread = float(np.var(values[seen], ddof=1)) if seen.sum() >= _FEWEST else 0.0
        ratio = max(0.0, 1 - factor.reading_sd**2 / spread) if spread > 0 else None
        weight = None if ratio is None else _weight(design, values, by_setpoint, factor.reading_sd)
        found = Readings(
            factor=factor.name,
            unit=factor.display_unit,
            prints=int(seen.sum()),
            of=int(tried.sum()),
            reliability=ratio,
            offset=float(np.mean(values[seen] - by_setpoint[seen])) if seen.any() else None,
            offset_p=_offset_p((values - by_setpoint)[seen]),
            used=ratio is not None and ratio >= LEAST_RELIABILITY,
            weight=weight,
        )
        judged.append((factor, found))
    return judged


def _weight(design: Design, read: Array, by_setpoint: Array, reading_sd: float) -> float:
    """Return the share of the variance of readings about their setpoints that is not the error of reading."""
    away = (read - by_setpoint - _moved(design, read, by_setpoint))[~np.isnan(read)]
    spread = float(away @ away) / max(len(away) - len(set(design.runs["printer"])), 1)
    return max(0.0, 1 - reading_sd**2 / spread) if spread > 0 else 0.0


def _offset_p(away: Array) -> float | None:
    """Return the p value of Student's t for the mean deviation of readings from their setpoints."""
    if len(away) < _FEWEST:
        return None
    if np.ptp(away) == 0:
        return None if away[0] == 0 else 0.0
    return float(stats.ttest_1samp(away, 0.0).pvalue)
