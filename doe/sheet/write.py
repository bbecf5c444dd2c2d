"""Render the workbook that operators fill in: light cells for them, all else locked, bytes that can be repeated."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.styles.cell_style import StyleArray
from openpyxl.utils.indexed_list import IndexedList
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.pagebreak import Break, ColBreak
from openpyxl.worksheet.worksheet import Worksheet

from doe.design.plan import Design
from doe.files import now
from doe.sheet import layout, pages
from doe.sheet.cells import put
from doe.sheet.columns import Column, Value
from doe.sheet.instructions import Line, instructions
from doe.sheet.labels.layout import LABELS, labels
from doe.sheet.labels.write import write_labels
from doe.sheet.layout import IDENTITY_ROW, INSTRUCTIONS, Sheet, letter, title
from doe.sheet.marks import marks
from doe.sheet.packed.write import repeatable
from doe.sheet.states import ROW, STATE, in_letters, progress
from doe.sheet.validation import offers, rule
from doe.study.operators import Texts, texts_of
from doe.study.spec import Study

_FORMATS = {"date": "yyyy-mm-dd", "datetime": "yyyy-mm-dd hh:mm", "stress": "0.00"}
_AS_TYPED = "@"
"""Format of cells that stay text: a lot number keeps its zeros, and what begins with = is not computed."""
_PROSE = 80
"""Width of the instructions' text, characters."""
_NAMES = 29
"""Width of the labels beside it."""
_PROGRESS = 46
"""Width of what says how far a sheet is."""
_APART = "  –  "
_MEASURE = Font(name="Arial", size=8)
"""In digits of this font widths are given in the file: programs agree on it, one takes 6 pixels and another 5.93."""
_PER_CHARACTER = 7 / 6
"""Its digits in one of 10 points, in which widths are counted everywhere else."""

_LINE = Side(style="thin", color="808080")
_FAINT = Side(style="hair", color="A0A0A0")
_THICK = Side(style="medium", color="404040")
# Light is for the operators, grey is locked: also on a print in black and white. Each has two shades, for the bands.
_FILL_IN = (PatternFill("solid", fgColor="FFFFFF"), PatternFill("solid", fgColor="FFF6DC"))
_LOCKED = (PatternFill("solid", fgColor="E6E9ED"), PatternFill("solid", fgColor="D3D8DE"))
_CLOSED = PatternFill("solid", fgColor="8A8F96")
_HEADER = PatternFill("solid", fgColor="2F3B47")
# What the workbook points out differs in lightness, too: mid, dark with light figures, black and struck through.
_MARKS = {
    "missing": {"fill": PatternFill(bgColor="F0B64A")},
    "unusual": {"fill": PatternFill(bgColor="A8401F"), "font": Font(bold=True, color="FFFFFF")},
    "contradiction": {"fill": PatternFill(bgColor="1B1B1B"), "font": Font(bold=True, strike=True, color="FFFFFF")},
}
_FONT = "Arial"
_PLAIN = Font(name=_FONT, size=10)
_BOLD = Font(name=_FONT, bold=True, size=10)
_TITLE = Font(name=_FONT, bold=True, size=15)
_HEADING = Font(name=_FONT, bold=True, size=11)
_LOUD = Font(name=_FONT, bold=True, size=15, color="B00020")
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
    say = texts_of(study)
    book = _book(study, round_number, made_at)
    tables = (*layout.sheets(study, design, round_number), layout.timetable_sheet(study, design, round_number))
    front, said = book.active, _Said(say, say("book.round", study=study.header.id, round=round_number), study.header.simulated)
    front.title = title(say, INSTRUCTIONS)
    row = _write_identity(front, study, layout.identity(study, design, round_number, digest))
    row = _write_progress(front, say, tables, row)
    _write_lines(front, instructions(study, tables, cautions), row)
    lists = _write_lists(book, say, tables)
    for table in tables:
        sheet = book.create_sheet(table.title, index=len(book.sheetnames) - 1)  # the lists stay last
        _write_table(sheet, table, said)
        _add_validation(sheet, table, lists, say)
        _add_marks(sheet, table, say)
        _finish(sheet, said)
    if (key := layout.key_sheet(study, design, round_number)) is not None:
        hidden = book.create_sheet(key.title, index=len(book.sheetnames) - 1)
        _write_table(hidden, key, said)
        _finish(hidden, said)
        hidden.sheet_state = "hidden"
        # Some programs print hidden sheets, too, and graders must not find the key among the papers: an empty cell is no page.
        hidden.print_title_rows, hidden.print_area = None, "Z2000"
    write_labels(book.create_sheet(say(f"sheets.{LABELS}"), len(book.sheetnames) - 1), labels(study, design, round_number))
    _finish(front, said)
    return repeatable(book, made_at)


@dataclass(frozen=True)
class _Said:
    """What every sheet of a workbook says."""

    say: Texts
    title: str
    """Study and round."""
    simulated: bool

    @property
    def cry(self) -> str:
        """That nothing was measured; empty where it was."""
        return self.say("book.simulated") if self.simulated else ""


def _book(study: Study, round_number: int, made_at: datetime.datetime) -> Workbook:
    book = Workbook()
    book._fonts = IndexedList((_MEASURE,))  # some programs go by the first font, others by that of the style Normal
    book._named_styles["Normal"].font = _MEASURE
    book.properties.creator = book.properties.lastModifiedBy = "doe"
    book.properties.title = texts_of(study)("book.round", study=study.header.title, round=round_number)
    book.properties.created = book.properties.modified = made_at.replace(tzinfo=None, microsecond=0)
    return book


def _write_identity(sheet: Worksheet, study: Study, identity: dict[str, Value]) -> int:
    """Write the title and what makes the workbook known again; return the next free row."""
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = _PER_CHARACTER * _NAMES, _PER_CHARACTER * _PROSE
    say = texts_of(study)
    titled = say("book.title", title=study.header.title)
    sheet.merge_cells("A1:B1")
    head = put(sheet.cell(1, 1), titled)
    head.font, head.alignment = _TITLE, Alignment(wrap_text=True, vertical="center")
    if study.header.simulated:
        put(sheet.cell(2, 1), say("book.simulated_front")).font = _LOUD
    sheet.row_dimensions[1].height = 20.0 * pages.lines(titled, 0.72 * (_PROSE + _NAMES)) + 4
    sheet.row_dimensions[2].height = 22 if study.header.simulated else 4
    _heading(sheet, IDENTITY_ROW - 1, say("book.this_workbook"))
    for row, (key, value) in enumerate(identity.items(), IDENTITY_ROW):
        _labelled(sheet, row, say(f"identity.{key}"), value)
    return IDENTITY_ROW + len(identity)


def _write_progress(sheet: Worksheet, say: Texts, tables: Iterable[Sheet], row: int) -> int:
    _heading(sheet, row, say("book.how_far"))
    for table in (table for table in tables if table.things):
        row += 1
        _labelled(sheet, row, table.title, "")
        sheet.cell(row, 2).value = progress(say, table.cells_of(STATE, other=True), len(table.rows), table.things)
    return row + 1


def _write_lines(sheet: Worksheet, lines: Iterable[Line], first: int) -> None:
    for row, line in enumerate(lines, first):
        if line.style == "heading":
            _heading(sheet, row, line.label)
        else:
            _labelled(sheet, row, line.label, line.text)
            sheet.cell(row, 1).font = _BOLD
    sheet.page_setup.orientation = "portrait"


def _break_front(sheet: Worksheet) -> None:
    """End pages where no heading is left alone at the foot."""
    rows = range(1, sheet.max_row + 1)
    headings = {row for row in rows if sheet.cell(row, 1).font == _HEADING}
    sheet.page_setup.scale, ends = pages.front([sheet.row_dimensions[row].height for row in rows], headings)
    for end in ends:
        sheet.row_breaks.append(Break(id=end))


def _labelled(sheet: Worksheet, row: int, label: str, value: Value) -> None:
    name, text = put(sheet.cell(row, 1), label), put(sheet.cell(row, 2), value)
    name.alignment = Alignment(horizontal="left", vertical="top", indent=1)
    text.alignment = Alignment(horizontal="left", wrap_text=True, vertical="top")
    name.font = text.font = _PLAIN
    sheet.row_dimensions[row].height = pages.POINTS_PER_LINE * pages.lines(str(value), 1.15 * _PROSE) + 2


def _heading(sheet: Worksheet, row: int, text: str) -> None:
    for column in (1, 2):
        sheet.cell(row, column).border = Border(bottom=_LINE)
    put(sheet.cell(row, 1), text).font = _HEADING
    sheet.row_dimensions[row].height = 22
    sheet.cell(row, 1).alignment = Alignment(vertical="bottom")


def _write_lists(book: Workbook, say: Texts, tables: Iterable[Sheet]) -> dict[tuple[Value, ...], str]:
    """Write what the drop-down lists offer to a hidden sheet, since an offer may hold a comma; return where each is."""
    sheet = book.create_sheet(say("sheets.lists"))
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True
    places: dict[tuple[Value, ...], str] = {}
    for column in (column for table in tables for column in table.columns if column.kind == "choice"):
        offered = offers(column)
        if offered in places:
            continue
        name = letter(len(places) + 1)
        for row, offer in enumerate(offered, 1):
            put(sheet.cell(row, len(places) + 1), offer)
        places[offered] = f"{sheet.title}!${name}$1:${name}${len(offered)}"
    return places


def _write_table(sheet: Worksheet, table: Sheet, said: _Said) -> None:
    filled = any(column.fill for column in table.columns)
    paper = pages.pages(table) if filled else pages.fitted(table)
    _write_title(sheet, table, said, paper)
    _write_remarks(sheet, table, paper.columns)
    _write_headers(sheet, table)
    sheet.row_dimensions[table.header_row].height = paper.header_height
    _write_rows(sheet, table, paper.heights)
    sheet.freeze_panes = sheet.cell(table.first_row, table.through_id + 1)
    sheet.print_title_rows = f"1:{table.header_row}"
    if filled:
        sheet.print_title_cols = f"A:{letter(table.through_id)}"
        _break(sheet, paper)
    else:
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0


def _break(sheet: Worksheet, paper: pages.Pages) -> None:
    sheet.page_setup.scale = paper.scale
    sheet.page_setup.pageOrder = "overThenDown"
    sheet.col_breaks = ColBreak()
    for place in paper.columns:
        sheet.col_breaks.append(Break(id=place))
    for place in paper.rows:
        sheet.row_breaks.append(Break(id=place))


def _write_title(sheet: Worksheet, table: Sheet, given: _Said, paper: pages.Pages) -> None:
    """Write the line above all others, as much of it as paper has room for; of pages side by side each repeats the name."""
    use = "use" if any(column.fill for column in table.columns) else "look"
    said = [*filter(None, (given.title, given.cry)), given.say(f"book.{use}")]
    widths = [column.width for column in table.columns]
    if paper.columns:
        kept = _fitting(said, sum(widths[table.through_id : paper.columns[0]]), least=1)
        texts = {1: table.title, table.through_id + 1: _APART.join(kept)}
    else:
        texts = {1: _APART.join(_fitting([table.title, *said], sum(widths), least=len(said)))}
    for place, text in texts.items():
        put(sheet.cell(1, place), text).font = _HEADING
    sheet.row_dimensions[1].height = 22
    column = _beside(table, max(texts), 1.2 * len(texts[max(texts)]), (*paper.columns, len(table.columns))[0])
    if table.things and column:
        cell = sheet.cell(1, column)
        cell.value = progress(given.say, table.cells_of(STATE), len(table.rows), table.things)
        cell.font = _BOLD


def _fitting(said: Sequence[str], room: float, least: int) -> Sequence[str]:
    """Return the first texts of a title: as many as fit in so many characters, and at least so many."""
    fits = (most for most in range(len(said), least, -1) if 1.2 * len(_APART.join(said[:most])) <= room)
    return said[: next(fits, least)]


def _beside(table: Sheet, start: int, taken: float, last: int) -> int | None:
    """Return the first column beside a text that begins in one and takes so much, if there is room on its page."""
    widths = [column.width for column in table.columns]
    free = next((place for place in range(start, last + 1) if sum(widths[start - 1 : place - 1]) >= taken), None)
    return free if free is not None and sum(widths[free - 1 : last]) >= _PROGRESS else None


def _write_remarks(sheet: Worksheet, table: Sheet, breaks: Sequence[int]) -> None:
    """Write the lines between title and headers across the table, or across each page that shows what is planned."""
    for row, text in enumerate((*table.cautions, *table.remarks), 2):
        loud = row < 2 + len(table.cautions)
        for start, end in pages.remark_places(table, breaks):
            sheet.merge_cells(start_row=row, end_row=row, start_column=start + 1, end_column=end)
            cell = put(sheet.cell(row, start + 1), f"! {text}" if loud else text)
            cell.font = _BOLD if loud else _PLAIN
            cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.row_dimensions[row].height = pages.remark_height(table, text, breaks)


def _write_headers(sheet: Worksheet, table: Sheet) -> None:
    for place, column in enumerate(table.columns, 1):
        shape = sheet.column_dimensions[letter(place)]
        shape.width, shape.outlineLevel = _PER_CHARACTER * column.width, int(column.part == "more" and column.optional)
        head = put(sheet.cell(table.header_row, place), column.header)
        head.font, head.fill = Font(name=_FONT, bold=True, size=10, color="FFFFFF"), _HEADER
        head.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center")
        head.border = Border(left=_LINE, right=_LINE, bottom=_LINE)


def _write_rows(sheet: Worksheet, table: Sheet, heights: Sequence[float]) -> None:
    styles = _Styles(sheet)
    formulas = {column.key: in_letters(column.formula, table.letters) for column in table.columns}
    for place, (values, band) in enumerate(zip(table.rows, table.bands, strict=True)):
        row, name = table.first_row + place, str(values[table.row_id])
        starts = place > 0 and band != table.bands[place - 1]
        for number, column in enumerate(table.columns, 1):
            cell = sheet.cell(row, number)
            closed = column.fill and (name, column.key) in table.closed
            cell._style = styles.of(column, closed=closed, shade=band % 2, starts=starts)
            if column.formula:
                cell.value = formulas[column.key].replace(ROW, str(row))
            elif not column.fill:
                put(cell, values[column.key])
        sheet.row_dimensions[row].height = heights[place]


class _Styles:
    """The styles of cells, each made once: to set them cell by cell takes most of the time of a large book."""

    def __init__(self, sheet: Worksheet) -> None:
        self._scratch = Cell(sheet)
        self._known: dict[tuple[str, bool, int, bool], StyleArray] = {}

    def of(self, column: Column, *, closed: bool, shade: int, starts: bool) -> StyleArray:
        """Return the style of a cell of a column: ``starts`` where a band begins above it."""
        wanted = (column.key, closed, shade, starts)
        if wanted not in self._known:
            self._known[wanted] = self._made(column, closed=closed, shade=shade, starts=starts)
        return self._known[wanted]

    def _made(self, column: Column, *, closed: bool, shade: int, starts: bool) -> StyleArray:
        cell = self._scratch
        cell._style = StyleArray()
        is_open = column.fill and not closed
        edge = _LINE if is_open else _FAINT
        cell.border = Border(left=edge, right=edge, bottom=edge, top=_THICK if starts else edge)
        cell.fill = _CLOSED if closed else (_FILL_IN if is_open else _LOCKED)[shade]
        cell.font = _BOLD if column.key in _STRESSED or column.key.startswith("set.") else _PLAIN
        cell.number_format = _AS_TYPED if _stays_text(column) else _FORMATS.get(column.kind, "General")
        cell.alignment = Alignment(vertical="center", wrap_text=column.kind == "text", horizontal=_side(column))
        if is_open:
            cell.protection = _UNLOCKED
        return cell._style


_STRESSED = ("print", "coupon", "load", "reading", "entry", "code", "printer", STATE)


def _stays_text(column: Column) -> bool:
    texts = column.kind == "choice" and all(isinstance(kept, str) for kept in column.choices.values())
    return column.fill and (column.kind == "text" or texts)


def _side(column: Column) -> str:
    return "left" if column.key in ("note", "prints", "spool", "what") or column.width > 20 else "center"


def _add_validation(sheet: Worksheet, table: Sheet, lists: dict[tuple[Value, ...], str], say: Texts) -> None:
    for column in (column for column in table.columns if column.fill):
        made = DataValidation(**rule(column, lists, say))
        made.showErrorMessage = made.showInputMessage = made.allowBlank = True
        made.add(table.cells_of(column.key).replace("$", ""))
        sheet.add_data_validation(made)


def _add_marks(sheet: Worksheet, table: Sheet, say: Texts) -> None:
    for mark in marks(table, say):
        condition = in_letters(mark.condition, table.letters).replace(ROW, str(table.first_row))
        sheet.conditional_formatting.add(
            table.cells_of(mark.key).replace("$", ""), FormulaRule([condition], stopIfTrue=True, **_MARKS[mark.style])
        )


def _finish(sheet: Worksheet, said: _Said) -> None:
    """Lock the sheet (without a password: it guards against slips, not against people) and set up its printing."""
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False  # False: allowed
    if sheet.title == title(said.say, INSTRUCTIONS):
        _break_front(sheet)
    else:
        sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.print_area = f"A1:{letter(sheet.max_column)}{sheet.max_row}"
    for side, room in pages.MARGINS.items():
        setattr(sheet.page_margins, side, room)
    sheet.oddHeader.left.text = said.title
    sheet.oddHeader.center.text = ", ".join(filter(None, (sheet.title, said.cry)))
    sheet.oddHeader.right.text = said.say("book.page", page="&P", pages="&N")
    sheet.oddFooter.center.text = said.cry or None
