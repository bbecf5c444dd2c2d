"""Natural values that can be set on a printer, within its increments or limits.

Lines from set to actual, with how well they are known and what later readings say of them, are in
``doe.design.calibrated``; a plan is made by the lines of the study file alone.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design.calibrated import PrinterLine, line_of
from doe.errors import InputRefused, Problem
from doe.numerics import calibration, coding
from doe.study import z_direction
from doe.study.names import listed
from doe.study.spec import Factor, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]


def on_increments(study: Study, coded: Array) -> tuple[pd.DataFrame, dict[str, float]]:
    """
    Return coded settings as natural values on each factor's increments, and what the rounding moved.

    Parameters
    ----------
    study : Study
    coded : ndarray of shape (n, k)
        Coded units; level indices for categorical factors.

    Returns
    -------
    targets : DataFrame of shape (n, k)
        Natural units, or level names.
    moved : dict of str to float
        Largest move per numeric factor, in its unit; 0 where nothing moved.
    """
    targets, moved = {}, {}
    for column, factor in zip(coded.T, study.factors, strict=True):
        if factor.levels is not None:
            targets[factor.name] = np.array([factor.levels[int(index)] for index in column], dtype=object)
            continue
        exact = factor.coding.natural(column)
        targets[factor.name] = on_grid(factor, exact)
        moved[factor.name] = float(np.abs(targets[factor.name] - exact).max())
    return pd.DataFrame(targets), moved


def require_allowed(study: Study, targets: pd.DataFrame, kinds: list[str]) -> None:
    """Refuse settings that break a constraint of the study, each constraint once with the settings it cuts off."""
    problems = []
    for number, constraint in enumerate(study.constraints, 1):
        total = sum(weight * targets[name].to_numpy(dtype=float) for name, weight in constraint.coef.items())
        broken = np.flatnonzero(np.asarray(total) > constraint.limit + 1e-9)
        if len(broken):
            found = f"{len(broken)} of {len(targets)} settings break it ({', '.join(sorted({kinds[i] for i in broken}))} points)"
            problems.append(
                Problem(
                    f"study.toml, constraints[{number}]",
                    found,
                    f"the sum must stay at or below {constraint.limit:g}",
                    "narrow the factors' ranges, or choose --kind box-behnken or an inscribed form",
                )
            )
    if problems:
        raise InputRefused(problems)


def of_printers(study: Study, factor: Factor, targets: pd.Series, printers: list[str]) -> NDArray[Any]:
    """Return each print's setpoint in its printer's sense: the target, or what the printer must be set to, to reach it."""
    values: NDArray[Any] = targets.to_numpy().copy()
    if factor.levels is not None:
        return values
    by_name = {printer.name: line_of(printer, factor) for printer in study.printers}
    for name, line in by_name.items():
        mine = np.array([printer == name for printer in printers])
        if line is not None and mine.any():
            values[mine] = on_grid(factor, calibration.to_set(line, values[mine].astype(float)))
    return values if factor.z_closer is None else z_direction.turned_prints(study, factor, values, printers)


def on_grid(factor: Factor, values: Array) -> Array:
    """Round natural values, of any shape, to the factor's increments."""
    if factor.increment is None or factor.low is None:
        return values
    return coding.round_to_increment(values, factor.increment, factor.low)


def actual_of(
    study: Study,
    factor: Factor,
    setpoints: Array,
    printers: list[str],
    lines: Mapping[tuple[str, str], PrinterLine] | None = None,
) -> Array:
    """
    Return what the printers reach at these setpoints, by their checks; the setpoint itself without checks.

    Parameters
    ----------
    study : Study
    factor : Factor
        A numeric one.
    setpoints : ndarray of shape (n,)
        Its unit, each in the sense of its printer; what is returned is in the study's.
    printers : list of str
        Which printer each belongs to.
    lines : mapping, optional
        From ``calibrated.lines_of``, where readings that were taken since planning count too: the lines that held when the
        prints were made.
    """
    values = z_direction.turned_prints(study, factor, setpoints, printers)
    for printer in study.printers:
        found = None if lines is None else lines.get((printer.name, factor.name))
        line = line_of(printer, factor) if lines is None else None if found is None else found.printed
        mine = np.array([name == printer.name for name in printers])
        if line is not None and mine.any():
            values[mine] = calibration.to_actual(line, values[mine])
    return values


def require_settable(study: Study, runs: pd.DataFrame) -> None:
    """Refuse a plan in which a target or a setpoint leaves a printer's limits, every printer and factor at once."""
    problems = [
        Problem(
            f"study.toml, printer '{one.printer}', limits.{one.factor}",
            f"the plan needs {one.what} values from {one.lowest:g} to {one.highest:g}",
            f"this printer reaches {one.low:g} to {one.high:g}",
            "narrow the factor's range, leave this printer out, or plan with a face-centred or inscribed form",
        )
        for one in _beyond(study, runs)
    ]
    if problems:
        raise InputRefused(problems)


def limit_findings(study: Study, runs: pd.DataFrame) -> Iterator[Verdict]:
    """Yield, per printer and factor, which prints of a plan are set beyond what the printer may reach by the study as it is."""
    for one in (found for found in _beyond(study, runs) if found.what == "set"):
        yield Verdict(
            "planned beyond a printer's limits",
            f"print{'s' if len(one.prints) > 1 else ''} {listed(one.prints)} {'are' if len(one.prints) > 1 else 'is'} to be made "
            f"on printer {one.printer}, which reaches {one.low:g} to {one.high:g}, with {one.factor} set to {one.lowest:g} to "
            f"{one.highest:g}",
            "Do not make them: plan again as long as no sheet is written; else write those that are not made yet as 'skipped'.",
            one.factor,
        )


@dataclass(frozen=True)
class _Beyond:
    printer: str
    factor: str
    low: float
    high: float
    """The printer's limits, in its sense."""
    what: str
    """``target`` or ``set``."""
    lowest: float
    highest: float
    """Of all prints on the printer, in its sense."""
    prints: tuple[str, ...]
    """Those that are beyond the limits."""


def _beyond(study: Study, runs: pd.DataFrame) -> Iterator[_Beyond]:
    """Yield where targets or setpoints leave a printer's limits."""
    factors = {factor.name: factor for factor in study.factors}
    for printer in study.printers:
        mine = runs[runs["printer"] == printer.name]
        for name, (low, high) in printer.limits.items():
            targets = z_direction.turned(factors[name], printer, mine[f"target.{name}"])
            for what, given in (("target", targets), ("set", mine[f"set.{name}"])):
                values = np.asarray(given, dtype=float)
                out = (values < low - 1e-9) | (values > high + 1e-9)
                if out.any():
                    lowest, highest = float(values.min()), float(values.max())
                    yield _Beyond(printer.name, name, low, high, what, lowest, highest, tuple(mine["print"][out]))
