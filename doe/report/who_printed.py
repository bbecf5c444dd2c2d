"""Tables of who printed when, with what of that was never written down."""

from collections.abc import Iterator

import pandas as pd

from doe.design.plan import Design
from doe.record.match import Record
from doe.record.schema import filled
from doe.report.tables import Table
from doe.sheet.columns import NEVER_PRINTED
from doe.study.spec import Study

_OF_PRINTS = (("operator", "who printed"), ("printed_on", "when it was printed"))
_OF_LOADS = (("dried_from", "since when it was dried"), ("dried_to", "until when it was dried"))


def printed_table(design: Design, record: Record) -> Table:
    """Return who printed each print, and when, in run order; no rows where neither is recorded of any."""
    known = _tried(record)
    known = known[filled(known["operator"]) | filled(known["printed_on"])].set_index("print")
    rows = tuple(
        (name, *(str(known.loc[name, key]) if filled(known[key])[name] else "" for key in ("load", "printer", *_KEYS)))
        for name in map(str, design.runs["print"]) if name in known.index
    )  # fmt: skip
    return Table("Who printed, and when", ("Print", "Load", "Printer", "Operator", "Printed on"), rows, "lllll")


_KEYS = tuple(key for key, _ in _OF_PRINTS)


def not_recorded_table(study: Study, record: Record) -> Table:
    """Return what nobody wrote down of prints, drying and readings, each with of how many; no rows where all is there."""
    rows = tuple((what, f"{missing} of {of} {items}") for what, missing, of, items in _missing(study, record) if missing)
    note = "What is not recorded cannot be traced later: who to ask, which day, how long the spool was dried." if rows else ""
    return Table("Not recorded", ("What", "Missing"), rows, "ll", note)


def _missing(study: Study, record: Record) -> Iterator[tuple[str, int, int, str]]:
    """Yield what may be left out, of how many it is, how many there are, and what they are."""
    for table, keys, items in ((_tried(record), _OF_PRINTS, "prints"), (record.loads, _OF_LOADS, "drying loads")):
        for key, what in keys:
            yield what, int((~filled(table[key])).sum()), len(table), items
    days = [check.date is not None for one in study.printers for check in one.checks for _ in check.set]
    days += filled(record.checks["read_on"]).tolist()
    yield "when the reference probe was read", days.count(False), len(days), "readings"


def _tried(record: Record) -> pd.DataFrame:
    """Return the prints that have an outcome, those that were never printed aside."""
    return record.prints[~record.prints["outcome"].isin(["", *NEVER_PRINTED])]
