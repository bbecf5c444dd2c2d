"""
How long the workbook of 500 prints with 10 coupons each takes to write and to read, beside the library alone.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.workbook_times [prints [coupons [times]]]``. The library alone
writes the same values into the same cells of the same sheets, without styles, validation, marks or labels, and loads the
same file as it does by default, then takes the value of every cell. Processor time, the least of several runs: writing at
most 3 times and reading at most 2 times that of the library is asked for.
"""

import io
import sys
import time

import openpyxl
import pandas as pd

from doe.design.plan import Design
from doe.record.read import read_workbook
from doe.sheet import layout
from doe.sheet.write import write_workbook
from tests.sheet.books import CAUTIONS, DEFINITIONS, MADE_AT, STUDY, make_study, rows_of_round


def large(prints, coupons):
    """Return a study and a plan of so many prints, six to a load."""
    responses = [{**one, "coupons": coupons} if one.get("formula") else one for one in STUDY["responses"]]
    base = rows_of_round(1)
    runs = pd.concat([base] * -(-prints // len(base)), ignore_index=True).head(prints)
    number = pd.RangeIndex(prints)
    names = [f"P{place + 1:03d}{'ACDEFHJKLMNPRTUVWXY'[place % 19]}" for place in number]
    runs = runs.assign(order=number + 1, print=names, load=[f"L{place // 6 + 1:03d}X" for place in number])
    return make_study(responses=responses), Design(runs=runs)


def cells_of(content):
    """Return the values of a workbook by sheet; None where a cell is there and empty."""
    book = openpyxl.load_workbook(io.BytesIO(content))
    return {page.title: [[cell.value for cell in row] for row in page.iter_rows()] for page in book.worksheets}


def library_writes(cells):
    """Write the values as the library does by default, every cell one by one."""
    book = openpyxl.Workbook()
    for title, rows in cells.items():
        page = book.create_sheet(title)
        for row, values in enumerate(rows, 1):
            for column, value in enumerate(values, 1):
                page.cell(row, column).value = value
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def library_reads(content):
    """Load the values as the library does by default, and take them."""
    book = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
    return sum(cell.value is not None for page in book.worksheets for row in page.iter_rows() for cell in row)


def least(work, times):
    """Return the least processor time of several runs, seconds."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def main(prints=500, coupons=10, times=3):
    """Print the times and their ratios."""
    study, design = large(prints, coupons)
    digest = layout.plan_digest(DEFINITIONS, design.of_round(1))
    content = write_workbook(study, design, 1, digest, CAUTIONS, MADE_AT)
    cells = cells_of(content)
    count = sum(len(values) for rows in cells.values() for values in rows)
    print(f"{prints} prints x {coupons} coupons: {count} cells, {len(content) / 1e6:.1f} MB")
    for name, ours, alone, most in (
        ("write", lambda: write_workbook(study, design, 1, digest, CAUTIONS, MADE_AT), lambda: library_writes(cells), 3),
        ("read", lambda: read_workbook(content, "book"), lambda: library_reads(content), 2),
    ):
        mine, theirs = least(ours, times), least(alone, times)
        print(f"{name}: {mine:.2f} s, the library alone {theirs:.2f} s, {mine / theirs:.2f} times (at most {most})")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
