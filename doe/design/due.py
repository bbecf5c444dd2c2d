"""Instruments whose calibration runs out before a round's last test, by its timetable."""

import datetime
from collections.abc import Iterator

import pandas as pd

from doe.design.timetable import timetable
from doe.study.names import listed
from doe.study.spec import Study
from doe.verdicts import Verdict

DUE_EARLY = "calibration due before the last test"


def due_findings(study: Study, runs: pd.DataFrame, today: datetime.date | None = None) -> Iterator[Verdict]:
    """
    Yield the instruments that are due before a round is tested.

    Parameters
    ----------
    study : Study
        Its instruments that a response is measured with, or a printer is checked with; its start gives the dates.
    runs : DataFrame
        The rows of one round, as documented for :class:`doe.design.plan.Design`.
    today : date, optional
        The round is not tested before it.

    Raises
    ------
    InputRefused
        As :func:`doe.design.timetable.timetable` has it.
    """
    known = {tool.id: tool for tool in study.instruments if tool.due is not None}
    last = _last_day(study, runs, today) if known else None
    if last is None:
        return
    for tool in known.values():
        uses = [one.name for one in study.responses if one.instrument == tool.id]
        checked = sorted({one.name for one in study.printers for check in one.checks if check.instrument == tool.id})
        what = [*uses, *([f"the checks of printer{'s' if len(checked) > 1 else ''} {listed(checked)}"] if checked else [])]
        if what and tool.due is not None and tool.due < last:
            yield Verdict(
                DUE_EARLY,
                f"{tool.id} is due on {tool.due}, and the last test of this round is not before {last}: what is read with it "
                f"after its due day counts as in doubt ({listed(what)})",
                "have it calibrated before that day and write its new due day in study.toml (doe amend --reason TEXT)",
                tool.id,
            )


def _last_day(study: Study, runs: pd.DataFrame, today: datetime.date | None) -> datetime.date | None:
    """Return the day of the last step of a round's timetable, not before today; None where nothing gives a date."""
    dated = study.budget.start is not None and len(runs) > 0
    steps = [step.date for step in timetable(study, runs).steps if step.date] if dated else []
    days = [datetime.date.fromisoformat(day) for day in steps] + ([] if today is None else [today])
    return max(days, default=None)
