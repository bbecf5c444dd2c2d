"""Write the rows of every example run as text: what its tables say, one file a run, in ``tests/golden``.

``python example_runs/golden.py`` reads the finished folders and writes the files anew, without fitting anything; ``git diff
tests/golden`` then shows every figure and word that changed. ``python example_runs/make.py`` does this at its end. The rows are
those of the report and of the terminal; what changes with each machine or hour (digests, versions, seals) is left out.
"""

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from doe.cli.confirmation_state import trial
from doe.cli.open_study import FIT, RECOMMENDATION, STUDY, OpenStudy
from doe.design import calibrated
from doe.design.plan import describe
from doe.files import Folder
from doe.model.results import Fit
from doe.recommend.confirmation import restored
from doe.recommend.results import Recommendation, Setting
from doe.report import rows, screens
from doe.report.appendix import value_tables
from doe.report.confirmation import forecast_tables, judgement_tables, power_sentences
from doe.report.consequences import consequence_rows
from doe.report.printers import lines_table
from doe.report.protocol import evidence_rows, spool_rows
from doe.report.recommended import answer
from doe.report.tables import Table

HERE = Path(__file__).parent
GOLDEN = HERE.parent / "tests" / "golden"


def names() -> list[str]:
    """Return the example runs."""
    return sorted(path.name for path in HERE.iterdir() if (path / STUDY).exists())


def golden(folder: Path) -> str:
    """Return the rows of a finished study: tables in the order of the report, one line a row, cells between bars."""
    return "\n".join(_lines(one) if isinstance(one, Table) else f"{one}\n" for one in _shown(OpenStudy(Folder(folder))))


def _shown(opened: OpenStudy) -> Iterator[Table | str]:
    study = opened.study()
    design, record, log = describe(study, opened.design(study)), opened.record(study), opened.folder.log()
    fit, advice = stored_fit(opened.folder.path), stored_advice(opened.folder.path)
    yield from (rows.requirement_rows(study), rows.factor_rows(study), rows.condition_rows(study), rows.instrument_rows(study))
    yield from (rows.plan_facts(study, design), rows.alias_rows(design), rows.plan_table(study, design))
    yield from screens.verdict_tables(design.verdicts)
    yield from (consequence_rows(study, design, record, fit), rows.completion_rows(fit), rows.correction_rows(record))
    yield from (rows.amendment_rows(log), rows.data_summary(study, record), rows.load_rows(record), spool_rows(record))
    lines = calibrated.lines_of(study, record.checks)
    yield from (rows.check_rows(study, record), lines_table(study, lines), evidence_rows(log))
    yield from screens.fit_tables(study, fit)
    yield answer(advice, study.header.confidence)
    yield from screens.recommendation_tables(study, advice)
    yield f"Next step: {advice.next}"
    tried = trial(opened, design, record)
    if tried is not None:
        yield from (*forecast_tables(tried.confirmation), *power_sentences(tried.confirmation))
    if tried is not None and tried.judgement is not None:
        yield f"Judged: {tried.judgement.verdict}"
        yield from (*tried.judgement.reasons, *tried.judgement.remarks, *judgement_tables(tried.judgement))
    yield from value_tables(study, design, record)


def stored_fit(folder: Path) -> Fit:
    """Return the fit of a study as its file holds it."""
    return restored(Fit, json.loads((folder / FIT).read_text(encoding="utf-8")))


def stored_advice(folder: Path) -> Recommendation:
    """Return the recommendation of a study as its file holds it."""
    data = json.loads((folder / RECOMMENDATION).read_text(encoding="utf-8"))
    settings = tuple(
        Setting(name, one["unit"], one["value"], tuple(one["interval"])) for name, one in data["settings"].items()
    )
    responses = [{"response": name, **one} for name, one in data["responses"].items()]
    return replace(restored(Recommendation, {**data, "settings": [], "responses": responses}), settings=settings)


def _lines(table: Table) -> str:
    body = [f"| {' | '.join(cells)} |" for cells in (table.columns, *table.rows)] if table.rows else ["none"]
    return "\n".join([f"## {table.title}", *body, *([table.note] if table.note else [])]) + "\n"


def write() -> Iterator[str]:
    """Write the rows of every run; yield each file that changed."""
    GOLDEN.mkdir(exist_ok=True)
    for name in names():
        file, made = GOLDEN / f"{name}.txt", golden(HERE / name)
        if not file.exists() or file.read_text(encoding="utf-8") != made:
            file.write_text(made, encoding="utf-8")
            yield file.name


if __name__ == "__main__":
    sys.stdout.write("".join(f"tests/golden/{name} changed\n" for name in write()) or "tests/golden is as it was\n")
