"""Take a published experiment through the whole path: plan file, workbook, record, fit."""

import csv
import io

from openpyxl import load_workbook

from doe.cli import planning, steps
from doe.files import Folder


def start(path, study_text, plan_rows):
    """Make a study and adopt the plan; return its folder."""
    path.mkdir(parents=True)
    (path / "study.toml").write_text(study_text, encoding="utf-8")
    plan = io.StringIO()
    writer = csv.DictWriter(plan, list(plan_rows[0]))
    writer.writeheader()
    writer.writerows(plan_rows)
    (path.parent / "plan-elsewhere.csv").write_text(plan.getvalue(), encoding="utf-8")
    folder = Folder(path)
    planning.adopt(folder, path.parent / "plan-elsewhere.csv")
    return folder


def fill(folder, results):
    """Type results into the workbook that ``doe sheet`` wrote: one dict per print, in the order of the plan."""
    written = steps.sheet(folder).data
    target = folder.path / written["file"]
    place = written["sheets"]["Prints"]
    book = load_workbook(target)
    page = book[place["sheet"]]
    for row, values in enumerate(results, place["first_row"]):
        page[f"{place['columns']['outcome']}{row}"] = "completed"
        for key, value in values.items():
            page[f"{place['columns'][key]}{row}"] = value
    book.save(target)


def fitted(folder):
    """Collect and fit; return the fit as data."""
    steps.collect(folder, [], "")
    return steps.fit(folder, None).data
