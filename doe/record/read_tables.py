"""The record as CSV files or back: exact numbers, a stable order, nothing that depends on the machine."""

import csv
import datetime
import io
import math
from collections.abc import Iterator, Mapping

from doe.errors import InputRefused, Problem
from doe.record.cells import nearest
from doe.record.instruments import overdue_values
from doe.record.match import Record
from doe.record.schema import LEDGERS, ROW_ID, TABLES, Columns, as_text, frame, is_optional, is_written, schema
from doe.sheet.columns import DEVIATIONS, OUTCOME_OF, OUTCOMES, PASS_FAIL
from doe.sheet.logs import AS_LISTED, CHANGED, CONDITIONS
from doe.study.spec import Study

NAMES = tuple(f"record/{table}.csv" for table in TABLES)
_RESTORE = "put the file back as 'doe collect' wrote it"


def record_files(record: Record) -> dict[str, bytes]:
    """
    Return the files of a record.

    Parameters
    ----------
    record : Record

    Returns
    -------
    dict of str to bytes
        Name in the study -> content: UTF-8, one line a row, numbers with every digit, missing values empty. Of the ledgers
        only those that hold something.
    """
    files = {}
    for table in (*TABLES, *(table for table in LEDGERS if len(getattr(record, table)))):
        whole, name = getattr(record, table), f"record/{table}.csv"
        content = whole[[key for key in whole if is_written(str(key), whole[key])]]
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(content.columns)
        writer.writerows([as_text(value) for value in row] for row in content.itertuples(index=False, name=None))
        files[name] = text.getvalue().encode()
    return files


def read_record(files: Mapping[str, bytes], study: Study) -> Record | None:
    """
    Read a record back.

    Parameters
    ----------
    files : mapping of str to bytes
        Contents by name, as of :func:`record_files`; other files are passed over.
    study : Study
        Says which columns there are and which hold numbers.

    Returns
    -------
    Record or None
        None where there is none of the files.

    Raises
    ------
    InputRefused
        With every problem: a missing file or column, text where a number stood, an unknown outcome, a repeated
        identifier.
    """
    if not any(name in files for name in NAMES):
        return None
    problems: list[Problem] = []
    tables = {}
    for table, columns in schema(study).items():
        name = f"record/{table}.csv"
        if name not in files and table in LEDGERS:
            tables[table] = frame(columns, ())
            continue
        if name not in files:
            problems.append(Problem(name, "the file is missing", "a record has all of its files", _RESTORE))
            continue
        words = _words(study) if table in ("prints", "coupons") else {}
        reader = _Reader(name, columns, words, problems)
        rows = list(reader.rows(files[name]))
        if table in ROW_ID:
            reader.require_distinct(rows, ROW_ID[table])
        tables[table] = frame(columns, rows)
    if problems:
        raise InputRefused(problems)
    return Record(**tables, doubts=overdue_values(study, tables["prints"], tables["coupons"]))


def _words(study: Study) -> dict[str, tuple[str, ...]]:
    """Return, per column, the words that it may hold besides nothing."""
    judged = [response.name for response in study.responses if response.kind == "pass_fail"]
    levels = {f"used.{factor.name}": factor.levels for factor in study.factors if factor.levels}
    return {
        **{f"{OUTCOME_OF}{response.name}": tuple(OUTCOMES) for response in study.responses},
        "outcome": tuple(OUTCOMES), "deviation": tuple(DEVIATIONS), CONDITIONS: (AS_LISTED, CHANGED),
        **dict.fromkeys(judged, tuple(PASS_FAIL)), **levels
    }


def _is_date(text: str) -> bool:
    try:
        return datetime.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


class _Reader:
    """Reads one file; what is wrong with it goes to the list of problems."""

    def __init__(
        self, name: str, columns: Columns, words: Mapping[str, tuple[str, ...]], problems: list[Problem]
    ) -> None:
        self.name, self.columns, self.words, self.problems = name, columns, words, problems

    def _problem(self, place: str, found: str, allowed: str) -> None:
        self.problems.append(Problem(f"{self.name}{place}", found, allowed, _RESTORE))

    def rows(self, content: bytes) -> Iterator[dict[str, str | float | int]]:
        try:
            lines = list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), strict=True))
        except UnicodeDecodeError:
            self._problem("", "it is not UTF-8 text", "the record is UTF-8 text")
            return
        except csv.Error as error:
            self._problem("", f"it cannot be read as CSV ({error})", "values are separated by commas")
            return
        header = lines[0] if lines else []
        if header != [key for key in self.columns if key in header or not is_optional(key)]:
            self._header(header)
            return
        for number, line in enumerate(lines[1:], 2):
            if len(line) != len(header):
                self._problem(f", row {number}", f"{len(line)} values", f"{len(header)} columns need as many")
                continue
            yield {key: self._value(key, text, number) for key, text in zip(header, line, strict=True)}

    def _header(self, header: list[str]) -> None:
        missing = [key for key in self.columns if key not in header and not is_optional(key)]
        strange = [key for key in header if key not in self.columns]
        if not missing and not strange:
            found = "the columns stand in another order, or twice"
            self._problem(", row 1", found, f"the order is {', '.join(self.columns)}")
        for key in missing:
            self._problem(", row 1", f"the column '{key}' is missing", "all columns of the study are needed")
        for key in strange:
            near = nearest(key, self.columns)
            allowed = f"the nearest known is '{near}'" if near else "only the study's columns are allowed"
            self._problem(", row 1", f"the column '{key}' is unknown", allowed)

    def _value(self, key: str, text: str, number: int) -> str | float | int:
        kind, place = self.columns[key], f", row {number}, column '{key}'"
        if kind == "text":
            allowed = self.words.get(key, ())
            if text and allowed and text not in allowed:
                self._problem(place, f"'{text}'", f"{', '.join(allowed)} are allowed")
            return text
        if kind == "date":
            if text and not _is_date(text):
                self._problem(place, f"'{text}' is not a date", "a date such as 2026-03-01 is needed here")
            return text
        if kind == "number" and not text:
            return math.nan
        try:
            value = int(text) if kind == "integer" else float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in text:
            self._problem(place, f"'{text}' is not a number", "a number is needed here")
            return 0
        return value

    def require_distinct(self, rows: list[dict[str, str | float | int]], key: str) -> None:
        seen: set[object] = set()
        for number, row in enumerate(rows, 2):
            if row[key] in seen or not row[key]:
                found = f"'{row[key]}' stands there again" if row[key] else "the identifier is missing"
                self._problem(f", row {number}, column '{key}'", found, "each row has its own")
            seen.add(row[key])
