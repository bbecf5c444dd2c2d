"""Render the workbook that operators fill in: light cells for them, all else locked, bytes that can be repeated."""

import datetime
import io
import textwrap
import zipfile
from collections.abc import Iterable, Sequence

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.writer.excel import ExcelWriter

from doe.design.plan import Design
from doe.files import now
from doe.sheet import layout
from doe.sheet.columns import Column, Value
from doe.sheet.instructions import Line, instructions
from doe.sheet.layout import IDENTITY_ROW, INSTRUCTIONS, Sheet, letter
from doe.study.spec import Study

SIMULATED = "SIMULATED DATA"
_LISTS = "Lists"
_FORMATS = {"date": "yyyy-mm-dd", "datetime": "yyyy-mm-dd hh:mm", "stress": "0.00"}
_POINTS_PER_LINE = 15.0
_PROSE = 104
"""Width of the instructions' text, characters."""

_LINE = Side(style="thin", color="808080")
_FAINT = Side(style="hair", color="A0A0A0")
_THICK = Side(style="medium", color="404040")
# Light is for the operators, grey is locked: also on a print in black and white. Each has two shades, for the bands.
_FILL_IN = (PatternFill("solid", fgColor="FFFEF5"), PatternFill("solid", fgColor="FFF3C4"))
_LOCKED = (PatternFill("solid", fgColor="E3E6EA"), PatternFill("solid", fgColor="CDD2D9"))
_CLOSED = PatternFill("solid", fgColor="8A8F96")
_HEADER = PatternFill("solid", fgColor="2F3B47")
_FONT = "Calibri"
_BOLD = Font(name=_FONT, bold=True, size=11)
_TITLE = Font(name=_FONT, bold=True, size=16)
_HEADING = Font(name=_FONT, bold=True, size=12)
_LOUD = Font(name=_FONT, bold=True, size=16, color="B00020")
_UNLOCKED = Protection(locked=False)


def write_workbook(
    study: Study, design: Design, round_number: int, digest: str, cautions: Sequence[str],
    made_at: datetime.datetime | None = None,
) -> bytes:
    """
    Write the workbook of one round.

    Parameters
    ----------
    study : Study
        Where it is marked as simulated, every sheet says so.
    design : Design
    round_number : int
    digest : str
        As of :func:`doe.sheet.layout.plan_digest`.
    cautions : sequence of str
        Those of the material's family.
    made_at : datetime, optional
        Recorded as the time of creation; without it, the time now. Equal inputs give equal bytes.

    Returns
    -------
    bytes
        An .xlsx file.
    """
    made_at = now() if made_at is None else made_at
    book = Workbook()
    book.properties.creator = book.properties.lastModifiedBy = "doe"
    book.properties.title = f"{study.header.title}, round {round_number}"
    book.properties.created = book.properties.modified = made_at.replace(tzinfo=None, microsecond=0)
    tables = (*layout.sheets(study, design, round_number), layout.timetable_sheet(study, design, round_number))
    front = book.active
    front.title = INSTRUCTIONS
    _write_front(front, study, layout.identity(study, design, round_number, digest),
                 instructions(study, tables, cautions))
    lists = _write_lists(book, tables)
    title = f"{study.header.id}, round {round_number}"
    for table in tables:
        sheet = book.create_sheet(table.name, index=len(book.sheetnames) - 1)  # the lists stay last
        _write_table(sheet, table, title, simulated=study.header.simulated)
        _add_validation(sheet, table, lists)
        _finish(sheet, title, simulated=study.header.simulated)
    _finish(front, title, simulated=study.header.simulated)
    return _repeatable(book, made_at)


def _write_front(
    sheet: Worksheet, study: Study, identity: dict[str, Value], lines: Iterable[Line]
) -> None:
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 28, _PROSE
    _put(sheet.cell(1, 1), f"Test prints: {study.header.title}").font = _TITLE
    if study.header.simulated:
        _put(sheet.cell(2, 1), f"{SIMULATED}: not measured on any machine").font = _LOUD
    sheet.row_dimensions[1].height = sheet.row_dimensions[2].height = 24
    _heading(sheet, IDENTITY_ROW - 1, "This workbook")
    for row, (key, value) in enumerate(identity.items(), IDENTITY_ROW):
        _put(sheet.cell(row, 1), layout.IDENTITY_LABELS[key])
        _put(sheet.cell(row, 2), value).alignment = Alignment(horizontal="left", wrap_text=True, vertical="top")
    for row, line in enumerate(lines, IDENTITY_ROW + len(identity) + 1):
        if line.style == "heading":
            _heading(sheet, row, line.label)
            continue
        label, text = _put(sheet.cell(row, 1), line.label), _put(sheet.cell(row, 2), line.text)
        label.alignment = Alignment(horizontal="left", vertical="top", indent=1)
        label.font = _BOLD
        text.alignment = Alignment(wrap_text=True, vertical="top")
        sheet.row_dimensions[row].height = _POINTS_PER_LINE * _lines(line.text, 1.1 * _PROSE) + 3
    sheet.page_setup.orientation = "portrait"
    sheet.page_setup.fitToHeight = 1


def _heading(sheet: Worksheet, row: int, text: str) -> None:
    for column in (1, 2):
        sheet.cell(row, column).border = Border(bottom=_LINE)
    _put(sheet.cell(row, 1), text).font = _HEADING
    sheet.row_dimensions[row].height = 24
    sheet.cell(row, 1).alignment = Alignment(vertical="bottom")


def _write_lists(book: Workbook, tables: Iterable[Sheet]) -> dict[tuple[Value, ...], str]:
    """Write what the drop-down lists offer to a hidden sheet, since an offer may hold a comma; return where each is."""
    sheet = book.create_sheet(_LISTS)
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True
    places: dict[tuple[Value, ...], str] = {}
    for column in (column for table in tables for column in table.columns if column.kind == "choice"):
        offers = _offers(column)
        if offers in places:
            continue
        name = letter(len(places) + 1)
        for row, offer in enumerate(offers, 1):
            _put(sheet.cell(row, len(places) + 1), offer)
        places[offers] = f"{_LISTS}!${name}$1:${name}${len(offers)}"
    return places


def _offers(column: Column) -> tuple[Value, ...]:
    """Return what a drop-down list shows: words, but numbers where numbers are recorded."""
    return tuple(shown if isinstance(kept, str) else kept for shown, kept in column.choices.items())


def _write_table(sheet: Worksheet, table: Sheet, title: str, *, simulated: bool) -> None:
    use = "fill in the light cells, grey is locked" if any(column.fill for column in table.columns) else "to look at only"
    parts = [table.name, title, *([SIMULATED] if simulated else []), use]
    _put(sheet.cell(1, 1), "  –  ".join(parts)).font = _HEADING
    sheet.row_dimensions[1].height = 22
    _write_remarks(sheet, table)
    for place, column in enumerate(table.columns, 1):
        sheet.column_dimensions[letter(place)].width = column.width
        head = _put(sheet.cell(table.header_row, place), column.header)
        head.font, head.fill = Font(name=_FONT, bold=True, color="FFFFFF"), _HEADER
        head.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center")
        head.border = Border(left=_LINE, right=_LINE, bottom=_LINE)
    tallest = max(_lines(column.header, column.width) for column in table.columns)
    sheet.row_dimensions[table.header_row].height = _POINTS_PER_LINE * tallest
    for place in range(len(table.rows)):
        _write_row(sheet, table, place)
    sheet.freeze_panes = sheet.cell(table.first_row, [c.key for c in table.columns].index(table.row_id) + 2)
    sheet.print_title_rows = f"1:{table.header_row}"


def _write_remarks(sheet: Worksheet, table: Sheet) -> None:
    """Write the lines between title and headers, each across the whole table."""
    width = sum(column.width for column in table.columns)
    for row, text in enumerate((*table.cautions, *table.remarks), 2):
        loud = row < 2 + len(table.cautions)
        sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=len(table.columns))
        cell = _put(sheet.cell(row, 1), f"! {text}" if loud else text)
        cell.font = _BOLD if loud else Font(name=_FONT)
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.row_dimensions[row].height = _POINTS_PER_LINE * _lines(text, width) + 3


def _write_row(sheet: Worksheet, table: Sheet, place: int) -> None:
    row, values, band = table.first_row + place, table.rows[place], table.bands[place]
    starts_band = place > 0 and band != table.bands[place - 1]
    tallest = 1
    for number, column in enumerate(table.columns, 1):
        cell = sheet.cell(row, number)
        open_cell = column.fill and (str(values[table.row_id]), column.key) not in table.closed
        edge = _LINE if open_cell else _FAINT
        cell.border = Border(left=edge, right=edge, bottom=edge, top=_THICK if starts_band else edge)
        cell.fill = (_FILL_IN if open_cell else _LOCKED)[band % 2]
        cell.number_format = _FORMATS.get(column.kind, "General")
        cell.alignment = Alignment(vertical="center", wrap_text=column.kind == "text", horizontal=_side(column))
        if open_cell:
            cell.protection = _UNLOCKED
        elif column.fill:
            cell.fill = _CLOSED
        elif column.kind == "stress":
            cell.value = _stress_formula(table, column, row)
        else:
            _put(cell, values[column.key])
            tallest = max(tallest, _lines(str(values[column.key]), column.width))
    sheet.row_dimensions[row].height = max(18.0, _POINTS_PER_LINE * tallest)


def _side(column: Column) -> str:
    return "left" if column.key in ("note", "prints", "spool", "operator", "what") else "center"


def _stress_formula(table: Sheet, column: Column, row: int) -> str:
    keys = [other.key for other in table.columns]
    force, width, thickness = (
        f"{letter(keys.index(f'{part}.{column.key}') + 1)}{row}" for part in ("force", "width", "thickness")
    )
    return f'=IF(COUNT({force},{width},{thickness})=3,{force}/({width}*{thickness}),"")'


def _add_validation(sheet: Worksheet, table: Sheet, lists: dict[tuple[Value, ...], str]) -> None:
    for place, column in enumerate(table.columns, 1):
        if column.fill:
            rule = _rule(column, lists)
            rule.showErrorMessage = rule.showInputMessage = True
            rule.allowBlank = True
            rule.errorStyle = "stop"
            rule.errorTitle, rule.promptTitle = "Please check", column.header[:32]
            rule.prompt = column.hint[:255]
            rule.add(f"{letter(place)}{table.first_row}:{letter(place)}{table.last_row}")
            sheet.add_data_validation(rule)


def _rule(column: Column, lists: dict[tuple[Value, ...], str]) -> DataValidation:
    if column.kind == "choice":
        return DataValidation("list", formula1=lists[_offers(column)], error="Choose one of the words in the list.")
    if column.kind == "text":
        return DataValidation(
            "textLength", operator="lessThanOrEqual", formula1="1000", error="At most 1000 characters, please."
        )
    if column.kind in ("date", "datetime"):
        return DataValidation(
            "date", operator="between", formula1="DATE(2000,1,1)", formula2="DATE(2100,1,1)",
            error="A date is wanted here, with the time where the heading speaks of drying: 2026-03-01 08:30.",
        )
    if column.positive:
        return DataValidation(
            "decimal", operator="greaterThan", formula1="0",
            error="A number above zero is wanted. Where there is no result, leave the cell empty.",
        )
    low = -1e9 if column.low is None else column.low
    high = 1e9 if column.high is None else column.high
    between = f" from {low:g} to {high:g}" if column.low is not None and column.high is not None else ""
    return DataValidation(
        "decimal", operator="between", formula1=repr(low), formula2=repr(high),
        error=f"A number{between} is wanted. Where there is no result, leave the cell empty.",
    )


def _finish(sheet: Worksheet, title: str, *, simulated: bool) -> None:
    """Lock the sheet (without a password: it guards against slips, not against people) and set up its printing."""
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False  # False: allowed
    if sheet.title != INSTRUCTIONS:
        sheet.page_setup.orientation, sheet.page_setup.fitToHeight = "landscape", 0
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth = 1
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_area = f"A1:{letter(sheet.max_column)}{sheet.max_row}"
    for side, room in (("left", 0.4), ("right", 0.4), ("top", 0.9), ("bottom", 0.7), ("header", 0.4)):
        setattr(sheet.page_margins, side, room)
    sheet.oddHeader.left.text = title
    sheet.oddHeader.center.text = SIMULATED if simulated else sheet.title
    sheet.oddHeader.right.text = "Page &P of &N"
    sheet.oddFooter.center.text = SIMULATED if simulated else None


def _lines(text: str, width: float) -> int:
    """Return how many lines a text takes in a column of this width, with some room to spare."""
    return sum(max(1, len(textwrap.wrap(part, max(4, int(width * 0.95))))) for part in text.split("\n")) or 1


def _put(cell: Cell, value: Value) -> Cell:
    """Set a value; text stays text, even where it begins as a formula does."""
    if not isinstance(value, str):
        cell.value = value
        return cell
    cell.value = value
    cell.data_type = "s"
    cell.quotePrefix = value[:1] in ("=", "+", "-", "@")
    return cell


def _repeatable(book: Workbook, made_at: datetime.datetime) -> bytes:
    """Return the file's bytes with every time in it replaced by the given one."""
    written, repeated = io.BytesIO(), io.BytesIO()
    # Workbook.save would stamp the present time as the time of modification; its writer does not.
    ExcelWriter(book, zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED)).save()
    moment = max(made_at.timetuple()[:6], (1980, 1, 1, 0, 0, 0))
    with zipfile.ZipFile(written) as source, zipfile.ZipFile(repeated, "w") as target:
        for name in source.namelist():
            entry = zipfile.ZipInfo(name, moment)
            entry.compress_type, entry.external_attr, entry.create_system = zipfile.ZIP_DEFLATED, 0o600 << 16, 3
            target.writestr(entry, source.read(name))
    return repeated.getvalue()
