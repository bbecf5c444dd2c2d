"""
What `doe collect` makes of damaged and altered workbooks.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.workbook_fuzz [mutations] [seed] [processes] [language]``; it
prints the seed and a tally, and ends with status 1 where a workbook led to anything but a refusal or a record that says what
the workbook says.

A filled workbook is altered at random in its cell values, its structure (rows, columns, sheets, merged cells), the XML of its
parts, or the packed file. Each must be refused, or read so that

1. no error but ``InputRefused`` comes up, each problem with its file, what was found, what is allowed and what to do,
2. it takes less than 30 s, and the process stays below 500 MB,
3. the record's files read back to the same record,
4. every value of the record is that of the unaltered workbook, or that of the altered cell as a reader of its own finds it, which
   shares nothing with the package but the headings of the columns; no value that the altered workbook still shows is missing.
"""

import collections
import datetime
import functools
import io
import math
import multiprocessing
import os
import random
import re
import resource
import signal
import sys
import time
import zipfile
from pathlib import Path
from xml.etree import ElementTree

from openpyxl.formatting.formatting import ConditionalFormattingList
from openpyxl.utils import get_column_letter

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import TABLE_OF as TABLE
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.sheet import layout
from doe.study.operators import in_language, texts_of
from tests.sheet.books import DEFINITIONS, NAME, fill, make_book, make_design, make_study, opened

SECONDS, MEGABYTES = 30, 500
LANGUAGE = "WORKBOOK_LANGUAGE"
"""Variable of the environment that says the language of the workbooks; processes that are started know it by that."""
STUDY, DESIGN = in_language(make_study(), os.environ.get(LANGUAGE, "en")), make_design()
SHEETS = {sheet.name: sheet for sheet in layout.sheets(STUDY, DESIGN, 1)}
TITLED = {sheet.title: sheet for sheet in SHEETS.values()}
LOAD_OF = dict(zip(DESIGN.runs["print"], DESIGN.runs["load"], strict=True))
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
REFUSE, SAME = object(), object()


class TimeIsUpError(BaseException):
    """A workbook took too long; not an Exception, which the reader may turn into a refusal."""


@functools.cache
def filled_book():
    """Return the filled workbook."""
    return fill(make_book(STUDY), study=STUDY)


@functools.cache
def base():
    """Return the filled workbook without what nothing is read from, since that only takes time."""
    book = opened(filled_book())
    for sheet in book.worksheets:
        if sheet.title not in (*TITLED, layout.title(texts_of(STUDY), layout.INSTRUCTIONS)):
            book.remove(sheet)
        sheet.conditional_formatting = ConditionalFormattingList()
        sheet.data_validations.dataValidation = []
        if sheet.title in TITLED and TITLED[sheet.title].spare:
            sheet.delete_rows(TITLED[sheet.title].first_row + 4, 99)
    return saved(book)


def saved(book):
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def parts_of(content):
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts):
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return content.getvalue()


# A reader of its own ------------------------------------------------------------------------------------------------

def text_of(element):
    return "".join(node.text or "" for node in element.iter(f"{MAIN}t"))


def sheets_of(content):
    """Return the cells of each sheet by title, as text; None for what is no sound workbook."""
    parts = parts_of(content)
    shared = [text_of(one) for one in ElementTree.fromstring(parts.get("xl/sharedStrings.xml", b"<x/>"))]
    links = {one.get("Id"): one.get("Target") for one in ElementTree.fromstring(parts["xl/_rels/workbook.xml.rels"])}
    found = {}
    for sheet in ElementTree.fromstring(parts["xl/workbook.xml"]).iter(f"{MAIN}sheet"):
        target = links[sheet.get("{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id")].lstrip("/")
        root = ElementTree.fromstring(parts[target if target.startswith("xl/") else f"xl/{target}"])
        found[sheet.get("name")] = dict(cells_of(root, shared))
    return found


def cells_of(root, shared):
    row = 0
    for line in root.iter(f"{MAIN}row"):
        row, column = int(line.get("r", row + 1)), 0
        for cell in line:
            letters = re.match(r"[A-Za-z]*", cell.get("r", "")).group()
            column = functools.reduce(lambda sum_, one: 26 * sum_ + ord(one) - 64, letters.upper(), 0) if letters else column + 1
            value, kind = cell.findtext(f"{MAIN}v"), cell.get("t", "n")
            if kind == "inlineStr":
                value = text_of(cell)
            elif kind == "s" and value is not None:
                value = shared[int(value)]
            if value not in (None, ""):
                yield (row, column), value


def plain(text):
    return " ".join(text.split()).casefold()


def shown_in(content):
    """Return the texts of all cells that are filled in, by sheet, identifier and key; None where this reader gives up."""
    try:
        sheets = sheets_of(content)
    except Exception:
        return None
    found = {}
    for name, sheet in SHEETS.items():
        keys = {plain(column.header): column.key for column in sheet.columns if column.fill or column.key == sheet.row_id}
        for title, cells in sheets.items():
            rows = collections.defaultdict(dict)
            for (row, column), text in cells.items():
                if row <= 50 and plain(text) in keys:
                    rows[row].setdefault(keys[plain(text)], column)
            header = max(rows, key=lambda row: len(rows[row]), default=0)
            columns = rows.get(header, {})
            if sheet.row_id not in columns or len(columns) < 0.8 * len(keys) or (title != sheet.title and sheet.title in sheets):
                continue
            for row in {row for row, _ in cells if row > header}:
                identifier = plain(cells.get((row, columns[sheet.row_id]), ""))
                for key, column in columns.items():
                    if key != sheet.row_id and (row, column) in cells:
                        found[name, identifier, key] = cells[row, column]
    return found


def as_number(text):
    match_ = re.match(r"\s*([-+\u2212]?[\d.,]+(?:[eE][-+]?\d+)?)", text)
    try:
        return float(match_.group(1).replace(",", ".").replace("\u2212", "-")) if match_ else None
    except ValueError:
        return None


# What came of it ----------------------------------------------------------------------------------------------------

def collected(content):
    """Return the record's values by table, row and column."""
    book = match(STUDY, DESIGN, read_workbook(content, NAME), DEFINITIONS)
    record, _ = merge(None, book.record, "N. N.", "2026-03-09T16:00:00Z")
    files = record_files(record)
    assert record_files(read_record(files, STUDY)) == files, "the record does not read back"
    return values_of(record)


def values_of(record):
    found = {}
    for table in TABLE.values():
        rows = getattr(record, table)
        for row in rows.to_dict("records"):
            found |= {
                (table, row[rows.columns[0]], key): value for key, value in row.items()
                if value != "" and not (isinstance(value, float) and math.isnan(value))
            }
    return found


@functools.cache
def untouched():
    return collected(base()), shown_in(base())


def unexplained(record, content):
    """Return a cell of the record that the altered workbook does not explain, or None."""
    before, shown_before = untouched()
    differing = (cell for cell in {*before, *record} if record.get(cell) != before.get(cell))
    changed = [cell for cell in differing if cell[2] not in ("reading", "entry")]  # rows that are there once they are used
    shown = shown_in(content) if changed or content != base() else shown_before
    if shown is None:
        return changed[0] if changed else None
    names = {table: sheet for sheet, table in TABLE.items()}
    for table, row, key in changed:
        places = [(names[table], plain(row), key)]
        if key.startswith("used.") and table == "prints":
            places.append(("Loads", plain(LOAD_OF.get(row, "")), key))
        if key == "z_strength":
            places = [(*places[0][:2], f"{part}.z_strength") for part in ("force", "width", "thickness")]
        touched = [place for place in places if shown.get(place) != shown_before.get(place)]
        now = record.get((table, row, key))
        if not touched:
            return table, row, key, before.get((table, row, key)), now
        if isinstance(now, float) and key != "z_strength" and as_number(shown.get(touched[-1], "")) != now:
            return table, row, key, shown.get(touched[-1]), now
    kept = {(table, plain(row), key) for table, row, key in record}
    for (sheet, row, key), text in shown.items():
        used = key.startswith("used.")  # not on record where it is the plan's; a load's stands with its prints
        if not used and text.strip() and (TABLE[sheet], row, key) not in kept:
            return "lost", sheet, row, key, text
    return None


def judged(content):
    """Return what came of a workbook: ``refused``, ``as before``, ``as altered``; anything else is a fault."""
    signal.signal(signal.SIGALRM, _time_is_up)
    signal.alarm(SECONDS)
    try:
        record = collected(content)
    except InputRefused as refused:
        sound = refused.problems and all(one.where and one.found and one.allowed and one.remedy for one in refused.problems)
        return "refused" if sound else "FAULT: a problem without its place or remedy"
    except TimeIsUpError:
        return f"FAULT: more than {SECONDS} s"
    except Exception as error:
        return f"FAULT: {type(error).__name__}: {error}"
    finally:
        signal.alarm(0)
    fault = unexplained(record, content)
    if fault is not None:
        return f"FAULT: silently changed: {fault}"
    return "as before" if record == untouched()[0] else "as altered"


def _time_is_up(*_):
    raise TimeIsUpError


# Mutations ----------------------------------------------------------------------------------------------------------

TEXTS = (
    "26,4", "26.4", " 26.4 ", "26.4 N", "26.4 N/mm", "26,4 mm", "1,234", "1.234", "1.234,5", "n/a", "-", "?", "--", "1e3",
    "1e999", "nan", "inf", "26.4.1", "2 6", "\u22123", "\u0663", "0x1A", "1_0", "=1+1", "#DIV/0!", "pass", " Completed", "lost",
    "detached", "completed", "abgelöst", "In Ordnung", "zweifelhaft", "3. März 2026",
    "2026-03-01", "01.03.2026 7:05", "3/9/2026", "9 March 2026", "31.02.2026", "yes",
    "x" * 1200, "\t", "A", "P01A",
    "<b>", "&amp;", "'5", "5%", "\u00bd", "1/2", "26.4\u00a0N", "0", "-0", "+3", ".5", "5.", "TRUE", "265 \u00b0C",
)


def any_value(rng):
    return rng.choice([
        lambda: rng.choice(TEXTS), lambda: rng.uniform(-5, 400), lambda: rng.choice([0, -1, 4000, 10**15, 10**30, 1e-12]),
        lambda: None, lambda: rng.random() < 0.5, lambda: datetime.datetime(2026, 3, rng.randint(1, 28), rng.randint(0, 23), 5),
        lambda: datetime.time(7, 5), lambda: datetime.timedelta(hours=30), lambda: f"{rng.uniform(0, 300):.{rng.randint(0, 5)}f}",
    ])()


def any_place(rng, book, *, anywhere=False):
    sheet = SHEETS[rng.choice(list(SHEETS))]
    columns = [place for place, column in enumerate(sheet.columns, 1) if column.fill or anywhere]
    row = rng.randint(1 if anywhere else sheet.first_row, sheet.last_row + (2 if anywhere else 0))
    return book[sheet.title].cell(row, rng.choice(columns))


def of_values(rng):
    book = opened(base())
    for _ in range(rng.choice([1, 1, 1, 2, 5])):
        cell = any_place(rng, book, anywhere=rng.random() < 0.2)
        cell.value = any_value(rng)
        if rng.random() < 0.15:
            cell.number_format = rng.choice(["0%", "0.00%", "yyyy-mm-dd", "@", "h:mm", "0.0E+00"])
    return saved(book)


def of_structure(rng):
    book = opened(base())
    for _ in range(rng.choice([1, 1, 2])):
        sheet = SHEETS[rng.choice(list(SHEETS))]
        if sheet.title in book.sheetnames:
            rng.choice(STRUCTURE)(rng, book, book[sheet.title], sheet)
    return saved(book)


def rows_sorted(rng, book, cells, sheet):
    numbers = list(range(sheet.first_row, sheet.last_row + 1))
    values = [[cell.value for cell in cells[number]] for number in numbers]
    rng.shuffle(values)
    for number, row in zip(numbers, values, strict=True):
        for cell, value in zip(cells[number], row, strict=True):
            cell.value = value


def columns_swapped(rng, book, cells, sheet):
    one, other = rng.sample(range(1, len(sheet.columns) + 1), 2)
    for number in range(sheet.header_row, sheet.last_row + 1):
        first, second = cells.cell(number, one), cells.cell(number, other)
        first.value, second.value, first.number_format, second.number_format = (
            second.value, first.value, second.number_format, first.number_format
        )


def merged(rng, book, cells, sheet):
    row, column = rng.randint(1, sheet.last_row), rng.randint(1, len(sheet.columns))
    cells.merge_cells(start_row=row, start_column=column, end_row=row + rng.randint(0, 3), end_column=column + rng.randint(0, 2))


def row_doubled(rng, book, cells, sheet):
    source = rng.randint(sheet.first_row, sheet.last_row)
    for cell in cells[source]:
        cells.cell(sheet.last_row + 1, cell.column).value = cell.value


def copied(rng, book, cells, sheet):
    copy = book.copy_worksheet(cells)
    if rng.random() < 0.5:
        copy.cell(rng.randint(sheet.first_row, sheet.last_row), rng.randint(1, len(sheet.columns))).value = any_value(rng)


def renamed(rng, book, cells, sheet):
    cells.title = rng.choice(["Results", cells.title.lower(), f"{cells.title} ", "Tabelle1", "Prints2", "Old"])


def heading_changed(rng, book, cells, sheet):
    cell = cells.cell(sheet.header_row, rng.randint(1, len(sheet.columns)))
    cell.value = rng.choice([None, "x", f" {cell.value} ", str(cell.value).upper(), cells.cell(sheet.header_row, 1).value])


def hidden(rng, book, cells, sheet):
    cells.row_dimensions[rng.randint(sheet.first_row, sheet.last_row)].hidden = True
    cells.column_dimensions[get_column_letter(rng.randint(1, len(sheet.columns)))].hidden = True


STRUCTURE = (
    rows_sorted, columns_swapped, merged, row_doubled, copied, renamed, heading_changed, hidden,
    lambda rng, book, cells, sheet: cells.insert_cols(rng.randint(1, len(sheet.columns) + 1)),
    lambda rng, book, cells, sheet: cells.insert_rows(rng.randint(1, sheet.last_row + 1)),
    lambda rng, book, cells, sheet: cells.delete_rows(rng.randint(1, sheet.last_row)),
    lambda rng, book, cells, sheet: cells.delete_cols(rng.randint(1, len(sheet.columns))),
    lambda rng, book, cells, sheet: book.remove(cells),
    lambda rng, book, cells, sheet: cells.move_range(f"A{sheet.first_row}:C{sheet.last_row}", rows=rng.randint(0, 2), cols=40),
    lambda rng, book, cells, sheet: setattr(cells, "sheet_state", rng.choice(["hidden", "veryHidden"])),
    lambda rng, book, cells, sheet: book.move_sheet(cells, rng.randint(-3, 3)),
)


def of_xml(rng):
    parts = parts_of(rng.choice([base(), base(), base(), base(), filled_book()]))
    for _ in range(rng.choice([1, 1, 2, 4])):
        name = rng.choice([one for one in parts if one.endswith((".xml", ".rels"))])
        if rng.random() < 0.6:
            name = rng.choice([one for one in parts if "worksheets/sheet" in one or "shared" in one] or [name])
        parts[name] = rng.choice(XML)(rng, parts[name].decode("utf-8", "replace")).encode("utf-8", "replace")
        if rng.random() < 0.03:
            other = rng.choice(list(parts))
            parts[name], parts[other] = parts[other], parts[name]
        if rng.random() < 0.03:
            del parts[name]
    return packed(parts)


def a_tag(rng, text):
    found = list(re.finditer(r"<[^<>]+>", text))
    return rng.choice(found) if found else re.match("", text)


def tag_dropped(rng, text):
    tag = a_tag(rng, text)
    return text[: tag.start()] + text[tag.end():]


def tag_doubled(rng, text):
    tag = a_tag(rng, text)
    return text[: tag.end()] + tag.group() + text[tag.end():]


def element_dropped(rng, text):
    found = list(re.finditer(r"<(c|row|si|v|f|is|t|xf|sheet|mergeCell)\b[^>]*?(?:/>|>.*?</\1>)", text, re.DOTALL))
    if not found:
        return text
    one = rng.choice(found)
    return text[: one.start()] + rng.choice(["", one.group() * 2, one.group() * 50]) + text[one.end():]


def attribute_changed(rng, text):
    found = list(re.finditer(r'(\b[\w:]+)="([^"]*)"', text))
    if not found:
        return text
    one = rng.choice(found)
    value = rng.choice(["", "0", "1", "-1", "s", "n", "b", "d", "str", "inlineStr", "e", "A1", "ZZZ9", "H999999999", "1048577",
                        "x" * 99, "9" * 30, rng.choice(found).group(2)])  # fmt: skip
    return f'{text[: one.start()]}{one.group(1)}="{value}"{text[one.end():]}'


def character_changed(rng, text):
    place = rng.randrange(len(text) + 1)
    other = rng.choice(["", "<", ">", "&", '"', "\0", "7", "\u20ac", "]]>", "<!--", "]" * 9])
    return text[:place] + other + text[place + rng.randint(0, 2):]


def entity_declared(rng, text):
    head = '<!DOCTYPE a [<!ENTITY b "cccccccccc"><!ENTITY d "&b;&b;&b;&b;">]>'
    tag = a_tag(rng, text)
    used = text[: tag.end()] + "&d;" + text[tag.end():]
    return rng.choice([head + text, head + used, used])


def formula_added(rng, text):
    found = list(re.finditer(r"(<c\b[^>]*>)(?=<v>)", text))
    if not found:
        return text
    one = rng.choice(found)
    formula = rng.choice(["<f>1+1</f>", "<f/>", '<f t="shared" si="0"/>', '<f>WEBSERVICE("http://x")</f>'])
    return text[: one.end()] + formula + text[one.end():]


def nested(rng, text):
    tag, depth = a_tag(rng, text), rng.choice([50, 3000])
    return text[: tag.end()] + "<x>" * depth + "</x>" * depth + text[tag.end():]


XML = (tag_dropped, tag_doubled, element_dropped, element_dropped, attribute_changed, attribute_changed, attribute_changed,
       character_changed, character_changed, entity_declared, formula_added, nested)  # fmt: skip


def of_zip(rng):
    content = bytearray(rng.choice([base(), filled_book()]))
    way = rng.randrange(8)
    if way == 0:
        return bytes(content[: rng.randrange(len(content))])
    if way == 1:
        return bytes(content) + rng.randbytes(rng.choice([1, 20, 70_000]))
    if way == 2:
        return rng.randbytes(rng.choice([0, 4, 100])) + bytes(content)
    if way == 3:
        parts = parts_of(base())
        name = rng.choice(list(parts))
        extra = {rng.choice(["../../evil", "/etc/x", "xl/worksheets/sheet99.xml", name.upper(), f"{name} "]): parts[name]}
        return packed({**parts, **extra})
    for _ in range(rng.choice([1, 3, 20])):
        place = rng.randrange(max(0, len(content) - 3000), len(content)) if way > 5 else rng.randrange(len(content))
        content[place] = rng.randrange(256)
    return bytes(content)


def of_size(rng):
    """Return a workbook that is far larger than it looks."""
    parts = parts_of(base())
    sheet = rng.choice([name for name in parts if "worksheets/sheet" in name])
    text, many = parts[sheet].decode(), rng.choice([30_000, 300_000, 1_500_000])
    fill = rng.choice([
        "<row/>", "<row><c><v>1</v></c></row>", '<row><c t="inlineStr"><is><t>abc</t></is></c></row>', "<c><v>1</v></c>",
        "<mergeCell ref='A1:B2'/>", '<row><c r="XFD{0}"/></row>', " " * 30, "<col min='1' max='16384' hidden='1'/>",
    ])
    parts[sheet] = text.replace("</sheetData>", f"{fill * min(many, 45_000_000 // len(fill))}</sheetData>").encode()
    if rng.random() < 0.3:
        parts[sheet] = text.encode()
        other, tag = rng.choice([("styles", "<xf/>"), ("sharedStrings", "<si><t>a</t></si>"), ("styles", "<font/>")])
        other = f"xl/{other}.xml"
        place = max(1, parts.get(other, b"<x></x>").find(b">", 200) + 1)
        parts[other] = parts.get(other, b"<x></x>")[:place] + tag.encode() * many + parts.get(other, b"<x></x>")[place:]
    return packed(parts)


KINDS = {
    "values": (of_values, 38), "structure": (of_structure, 25), "xml": (of_xml, 25), "zip": (of_zip, 11.5),
    "size": (of_size, 0.5),
}  # fmt: skip


def mutant(seed, number):
    """Return the kind and the bytes of one altered workbook: equal numbers give equal ones."""
    rng = random.Random(f"{seed}/{number}")
    kind = rng.choices(list(KINDS), [weight for _, weight in KINDS.values()])[0]
    while True:
        try:
            return kind, KINDS[kind][0](rng)
        except Exception:  # the library that alters refuses some alterations; the next ones differ
            continue


def peak():
    """Return the most memory that this process had, MB: what a parent had is handed down to ``ru_maxrss``."""
    status = Path("/proc/self/status")
    if status.is_file():
        return int(next(line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM"))) // 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def tally(numbers, seed):
    """Return how often each kind came to what, with the numbers of those that are faults."""
    found = collections.Counter()
    faults = []
    for number in numbers:
        kind, content = mutant(seed, number)
        began = time.monotonic()
        outcome = judged(content)
        if peak() > MEGABYTES and not any("MB" in one for one in faults):
            outcome = f"FAULT: more than {MEGABYTES} MB"
        found[kind, outcome.split(":")[0]] += 1
        if outcome.startswith("FAULT"):
            faults.append(f"{number} ({kind}, {time.monotonic() - began:.1f} s): {outcome}")
            print(f"\n{faults[-1]}", file=sys.stderr, flush=True)
    return found, faults, peak()


def main():
    *numbers, language = sys.argv[1:] + ["10000", "20261126", "1", "en"][len(sys.argv) - 1:]
    mutations, seed, processes = map(int, numbers)
    os.environ[LANGUAGE] = language
    shares = [range(start, min(start + 50, mutations)) for start in range(0, mutations, 50)]
    total, faults, most = collections.Counter(), [], 0
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for found, some, megabytes in pool.imap_unordered(functools.partial(tally, seed=seed), shares):
            total, faults, most = total + found, faults + some, max(most, megabytes)
            print(f"\r{total.total()} of {mutations}, {len(faults)} faults", end="", file=sys.stderr, flush=True)
    print(f"\n{mutations} workbooks, {language}, seed {seed}; at most {most} MB")
    for (kind, outcome), count in sorted(total.items()):
        print(f"{kind:10} {outcome:10} {count:6}")
    print("\n".join(faults) or "no fault")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
