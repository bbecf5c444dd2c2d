"""The appendix: every value that was recorded, then the last lines of the log."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from doe.design.plan import Design
from doe.record.match import Record
from doe.record.schema import outcomes_of
from doe.report import numbers
from doe.report.protocol import with_unit
from doe.report.tables import Table
from doe.sheet.columns import TESTED
from doe.study.spec import Response, Study

_LOG_LINES = 30
_WRITTEN_AS = {"draft": "report --draft"}
"""Commands that the log names otherwise than a user types them."""
_DIGITS = 4


def value_tables(study: Study, design: Design, record: Record) -> tuple[Table, ...]:
    """Return, per response, every single value in run order with what became of those that have none."""
    order = [str(name) for name in design.runs["print"]]
    made = [_of_coupons(one, design, record) for one in study.responses if one.per == "coupon" and one.name in record.coupons]
    judged = [one for one in study.responses if one.per == "print" and one.name in record.prints]
    if judged:
        made.append(_of_prints(judged, order, record))
    return tuple(table for table in made if table.rows)


def _of_coupons(response: Response, design: Design, record: Record) -> Table:
    """Return one row a print, one column a coupon."""
    coupons = record.coupons.assign(outcome=outcomes_of(record.coupons, response.name))
    coupons = coupons[coupons["number"] <= response.coupons]
    of_print: dict[str, list[dict[Any, Any]]] = {}
    for row in coupons.to_dict("records"):
        of_print.setdefault(str(row["print"]), []).append(row)
    place = _place(response, coupons[response.name])
    ended = {str(row["print"]): row for row in record.prints.to_dict("records")}
    rows = []
    for run in design.runs.to_dict("records"):
        mine = {int(row["number"]): row for row in of_print.get(str(run["print"]), [])}
        if not mine:
            continue
        values = [_shown(response, mine[one][response.name], place) if one in mine else "" for one in _numbers(response)]
        remarks = "; ".join(_remarks(ended.get(str(run["print"]), {}), mine))
        rows.append((str(run["print"]), str(run["load"]), str(run["printer"]), *values, _mean(response, mine, place), remarks))
    heads = tuple(f"Coupon {number}" for number in _numbers(response))
    columns = ("Print", "Load", "Printer", *heads, "Mean", "Remarks")
    note = "Mean: of the values shown, limits among them. An empty place has no value; the remarks say why."
    return Table(f"Every value: {with_unit(response)}", columns, tuple(rows), f"lll{'r' * len(heads)}rl", note)


def _numbers(response: Response) -> range:
    return range(1, response.coupons + 1)


def _of_prints(responses: Sequence[Response], order: Sequence[str], record: Record) -> Table:
    """Return one row a print, one column a response that has one value a print."""
    ended = {str(row["print"]): row for row in record.prints.to_dict("records")}
    places = {one.name: _place(one, record.prints[one.name]) for one in responses}
    rows = tuple(
        (
            name, str(ended[name]["load"]), str(ended[name]["printer"]),
            *(_shown(one, ended[name][one.name], places[one.name]) for one in responses),
            "; ".join(_remarks(ended[name], {})),
        )
        for name in order if name in ended
    )  # fmt: skip
    columns = ("Print", "Load", "Printer", *map(with_unit, responses), "Remarks")
    align = "lll" + "".join("r" if one.kind != "pass_fail" else "l" for one in responses) + "l"
    return Table("Every value that a print has one of", columns, rows, align)


def _place(response: Response, column: "pd.Series[Any]") -> int | None:
    """Return the decimal place at which a column of values is shown; None for grades, passes and where there is none."""
    if response.kind != "measured":
        return None
    greatest = column.astype(float).abs().max()
    return None if pd.isna(greatest) else numbers.place_of(float(greatest), _DIGITS)


def _shown(response: Response, value: Any, place: int | None) -> str:  # noqa: ANN401 - any cell
    if not _is_known(value):
        return ""
    if response.kind == "measured":
        return numbers.at_place(float(value), place)
    return str(value) if response.kind == "pass_fail" else numbers.exact(float(value))


def _mean(response: Response, mine: Mapping[int, Mapping[Any, Any]], place: int | None) -> str:
    if response.kind != "measured":
        return ""
    values = [float(row[response.name]) for row in mine.values() if not pd.isna(row[response.name])]
    return numbers.at_place(sum(values) / len(values), place) if values else ""


def _remarks(ended: Mapping[Any, Any], coupons: Mapping[int, Mapping[Any, Any]]) -> Iterator[str]:
    """Yield what became of a print, then what became of its coupons where that is something else."""
    whole = _said(ended)
    if whole:
        yield whole
    for number, row in coupons.items():
        said = _said(row)
        if said and said != whole:
            yield f"{number}: {said}"


def _said(row: Mapping[Any, Any]) -> str:
    found = (str(row.get(key, "") or "") for key in ("outcome", "deviation"))
    return ", ".join(one for one in found if one not in ("", "completed", "nan"))


def expected_values(response: Response, record: Record) -> tuple[str, ...]:
    """Return the coupons or prints of finished prints that should have a value of a response and have none."""
    per_coupon = response.per == "coupon"
    table = record.coupons if per_coupon else record.prints
    if response.name not in table or table.empty:
        return ()
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    rows = table[table["number"] <= response.coupons] if per_coupon else table
    outcomes = outcomes_of(rows, response.name)
    return tuple(
        str(row["coupon" if per_coupon else "print"]) for row, outcome in zip(rows.to_dict("records"), outcomes, strict=True)
        if ended.get(row["print"]) == "completed" and outcome in ("", *TESTED) and not _is_known(row[response.name])
    )


def _is_known(value: Any) -> bool:  # noqa: ANN401 - any cell
    return not pd.isna(value) and value != ""


def log_rows(lines: Sequence[Mapping[str, Any]]) -> Table:
    """Return the last lines of the log: when, which command, what it wrote."""
    rows = tuple(
        (
            str(line["time"]), f"doe {_WRITTEN_AS.get(line['command'], line['command'])}",
            ", ".join(sorted(line.get("wrote", {}))) or "nothing", str(line.get("own", ""))[:12],
        )
        for line in lines[-_LOG_LINES:]
    )  # fmt: skip
    left = len(lines) - len(rows)
    note = "Seal: the first twelve digits of the line's own SHA-256." + (f" {left} earlier lines are not shown." if left else "")
    return Table("The log", ("Time", "Command", "Wrote", "Seal"), rows, "llll", note)
