"""Values that were taken with an instrument whose calibration had run out: kept, but in doubt."""

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import pandas as pd

from doe.record.findings import listed
from doe.record.schema import filled
from doe.study.spec import Instrument, Response, Study

Doubts = Mapping[str, Mapping[str, str]]
"""Per response, the coupons or prints whose value is in doubt, each with the reason."""
_TESTED_ON = "tested_on"


@dataclass(frozen=True)
class _Judged:
    """The values of one response that were taken with one instrument."""

    response: Response
    tool: Instrument
    late: tuple[str, ...]
    undated: tuple[str, ...]


def overdue_values(study: Study, prints: pd.DataFrame, coupons: pd.DataFrame) -> Doubts:
    """
    Return the values that were tested on a day after their instrument was due.

    A value counts by the day of its test; without it by the day of its print; without either it is not judged.

    Parameters
    ----------
    study : Study
    prints, coupons : DataFrame
        As documented for :class:`doe.record.match.Record`.

    Returns
    -------
    mapping of str to mapping of str to str
        Responses without such a value are left out.
    """
    return {
        one.response.name: dict.fromkeys(one.late, _reason(one.tool))
        for one in _judged(study, prints, coupons) if one.late
    }


def overdue_lines(study: Study, prints: pd.DataFrame, coupons: pd.DataFrame, checks: pd.DataFrame) -> tuple[str, ...]:
    """
    Return a sentence for each instrument with values or readings after its due day, and one about values without a day.

    Parameters
    ----------
    study : Study
    prints, coupons, checks : DataFrame
        As documented for :class:`doe.record.match.Record`.
    """
    judged = list(_judged(study, prints, coupons))
    lines = [line for tool in study.instruments if (line := _line(tool, judged, checks))]
    undated = {one.response.name: len(one.undated) for one in judged if one.undated}
    if undated:
        counts = ", ".join(f"{count} of {name}" for name, count in undated.items())
        lines.append(f"Whether an instrument was due could not be judged for values without a day of test or print: {counts}.")
    return tuple(lines)


def _reason(tool: Instrument) -> str:
    return f"instrument {tool.id} was due {tool.due}"


def _line(tool: Instrument, judged: list[_Judged], checks: pd.DataFrame) -> str:
    said = [f"{one.response.name} of {listed(list(one.late))}" for one in judged if one.tool == tool and one.late]
    read = [
        str(name) for name, used, day in zip(checks["reading"], checks["instrument"], checks["read_on"], strict=True)
        if used == tool.id and _is_late(tool, str(day))
    ]
    said += [f"readings {listed(read)}"] if read else []
    if not said:
        return ""
    valued = len(said) > bool(read)
    doubt = " Such values count as suspect: they are kept, and the fit without them stands beside." if valued else ""
    return f"Instrument {tool.id} was due {tool.due}, and was used after that day: {'; '.join(said)}.{doubt}"


def _judged(study: Study, prints: pd.DataFrame, coupons: pd.DataFrame) -> Iterator[_Judged]:
    tools = {tool.id: tool for tool in study.instruments}
    days = _days_of_prints(prints)
    for response in study.responses:
        tool = tools.get(response.instrument or "")
        table, key = (coupons, "coupon") if response.per == "coupon" else (prints, "print")
        if tool is None or tool.due is None or response.name not in table:
            continue
        with_value = table[filled(table[response.name])]
        dated = [
            (str(item), str(own) or days.get(str(owner), ""))
            for item, owner, own in zip(with_value[key], with_value["print"], _own_days(with_value, response), strict=True)
        ]
        late = tuple(item for item, day in dated if _is_late(tool, day))
        yield _Judged(response, tool, late, tuple(item for item, day in dated if not day))


def _own_days(table: pd.DataFrame, response: Response) -> list[str]:
    key = f"log.{_TESTED_ON}"
    return list(table[key]) if response.per == "coupon" and key in table else [""] * len(table)


def _days_of_prints(prints: pd.DataFrame) -> dict[str, str]:
    """Return, per print, the day of its tests where the study asks for it as a covariate, else that of the print."""
    tested = prints.get(f"covariate.{_TESTED_ON}", pd.Series("", index=prints.index))
    return {
        str(name): str(own) or str(printed)
        for name, own, printed in zip(prints["print"], tested, prints["printed_on"], strict=True)
    }


def _is_late(tool: Instrument, day: str) -> bool:
    return bool(day) and tool.due is not None and datetime.date.fromisoformat(day[:10]) > tool.due
