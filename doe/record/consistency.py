"""What cannot be true together in a filled workbook (problems), or is worth a word (remarks)."""

from collections.abc import Mapping

import pandas as pd

from doe.errors import Problem
from doe.record.findings import Findings, in_words, listed, spanned
from doe.record.rows import Row
from doe.sheet.columns import NEVER_MEASURED, NEVER_PRINTED, NEVER_TESTED, OFF_PLAN, OUTCOME_OF
from doe.sheet.layout import CHECKS, COUPONS, LOADS, PRINTS
from doe.study.operators import Texts, texts_of
from doe.study.responses import ends_at_break
from doe.study.spec import Response, Study

Rows = Mapping[str, Row]


def check_rows(study: Study, runs: pd.DataFrame, tables: Mapping[str, Rows], findings: Findings) -> None:
    """
    Check the rows of one workbook against each other and against the printers' limits.

    Parameters
    ----------
    study : Study
        In the language of the workbook.
    runs : DataFrame
        The round's rows of the design.
    tables : mapping of str to mapping
        By sheet, the rows by identifier.
    findings : Findings
        Receives problems and remarks.
    """
    prints, coupons, loads = (tables.get(name, {}) for name in (PRINTS, COUPONS, LOADS))
    per_print, say = _result_keys(study, "print"), texts_of(study)
    for name, row in prints.items():
        if (outcome := row.values.get("outcome")) in NEVER_PRINTED:
            _refuse_results(row, per_print, f"print {name} is '{say(f'outcomes.word.{outcome}')}'", findings)
    _check_used(study, runs, prints, findings)
    for name, row in coupons.items():
        _check_tests(study, name, row, prints, findings)
    for row in loads.values():
        _check_load(row, findings)
    for row in tables.get(CHECKS, {}).values():
        _check_reading(study, row, findings)
    _remark_silent(study, prints, coupons, findings)
    _remark_incomplete(study, coupons, findings)
    _remark_off_plan(study, runs, prints, loads, findings)
    _remark_covariates(study, prints, loads, findings)


def _check_tests(study: Study, name: str, row: Row, prints: Rows, findings: Findings) -> None:
    """Refuse values of a coupon where a test's own outcome, or else the coupon's, or its print's left nothing to measure."""
    say, of_row, owner = texts_of(study), row.values.get("outcome"), name.rpartition("-")[0]
    ended = prints[owner].values.get("outcome") if owner in prints else None
    for one in (one for one in study.responses if one.per == "coupon"):
        own = row.values.get(f"{OUTCOME_OF}{one.name}")
        if (outcome := own or of_row) in (NEVER_TESTED if ends_at_break(one) else NEVER_MEASURED):
            what = f"{say.within(one.name)} of coupon {name}" if own else f"coupon {name}"
            other = f"{OUTCOME_OF}{one.name}" if not own and outcome not in NEVER_PRINTED else ""
            ended_as = f"{what} is '{say(f'outcomes.word.{outcome}')}'"
            _refuse_results(row, _keys_of(one), ended_as, findings, _elsewhere(row, other, one, say))
        elif ended in NEVER_PRINTED:
            _refuse_results(row, _keys_of(one), f"its print {owner} is '{say(f'outcomes.word.{ended}')}'", findings)


def _result_keys(study: Study, per: str) -> list[str]:
    """Return what holds results: what is measured where a response is computed, but no dimension, else the response."""
    return [key for one in study.responses if one.per == per for key in _keys_of(one)]


def _keys_of(response: Response) -> list[str]:
    return [column for column, part in response.inputs.items() if not part.dimension] or [response.name]


def _elsewhere(row: Row, key: str, response: Response, say: Texts) -> str:
    """Return where to write that one test ended otherwise than the others of its row; nothing where there is no such column."""
    if key not in row.letters:
        return ""
    column = say("columns.test_outcome", name=say.name(response.name))
    word, cell = say("outcomes.word.completed"), row.cell(key).rpartition(", ")[2]
    return f"; where this test was made, and only others of the row were not, choose '{word}' under '{column}', {cell}"


def _refuse_results(row: Row, keys: list[str], ended: str, findings: Findings, elsewhere: str = "") -> None:
    findings.problems.extend(
        Problem(row.cell(key), f"a value, although the outcome of {ended}", "what was not tested has no value",
                f"clear the cell, or correct the outcome{elsewhere}")
        for key in keys if key in row.values
    )


def _check_used(study: Study, runs: pd.DataFrame, prints: Rows, findings: Findings) -> None:
    limits = {printer.name: printer.limits for printer in study.printers}
    for name, printer in zip(runs["print"], runs["printer"], strict=True):
        row = prints.get(name)
        for factor, (low, high) in limits.get(printer, {}).items():
            used = row.values.get(f"used.{factor}") if row else None
            if row and isinstance(used, float) and not low <= used <= high:
                findings.problems.append(
                    Problem(row.cell(f"used.{factor}"), f"{used:g} is beyond the limits of printer {printer}",
                            f"{low:g} to {high:g} is allowed", "correct the setpoint")
                )


def _check_load(row: Row, findings: Findings) -> None:
    began, ended = row.values.get("dried_from"), row.values.get("dried_to")
    if began and ended and str(ended) <= str(began):
        found = f"drying ended at {ended} but began at {began}"
        findings.problems.append(Problem(row.cell("dried_to"), found, "it ends after it began", "correct the times"))
    before, after = row.values.get("mass_before"), row.values.get("mass_after")
    if isinstance(before, float) and isinstance(after, float) and after > before:
        findings.remarks.append(f"{row.cell('mass_after')}: the spool was heavier after drying than before.")


def _check_reading(study: Study, row: Row, findings: Findings) -> None:
    refused = {problem.where for problem in findings.problems}  # filled in, but not with what is allowed
    needed = {"printer": "printer", "factor": "what_was_read", "set": "setpoint", "actual": "actual"}
    there = [key for key in needed if key in row.letters]  # a column that is missing was said already
    missing = [key for key in there if key not in row.values and row.cell(key) not in refused]
    if missing and len(row.values) > 1:
        lacks = ", ".join(texts_of(study)(f"columns.{needed[key]}") for key in missing)
        findings.problems.append(
            Problem(row.cell(missing[0]), f"the reading lacks: {lacks}", "a reading needs all of them",
                    "fill them in, or clear the row")
        )


def _remark_silent(study: Study, prints: Rows, coupons: Rows, findings: Findings) -> None:
    completed = texts_of(study)("outcomes.word.completed")
    for things, rows, keys in (
        ("prints", prints, _result_keys(study, "print")), ("coupons", coupons, _result_keys(study, "coupon"))
    ):
        without = {name: row.values for name, row in rows.items() if "outcome" not in row.values}
        silent = [name for name, values in without.items() if any(key in values for key in keys)]
        if silent:
            findings.remarks.append(
                f"Values but no outcome for {things} {spanned(silent)}: {completed}, unless another outcome is on record."
            )


def _remark_incomplete(study: Study, coupons: Rows, findings: Findings) -> None:
    for response in (response for response in study.responses if response.formula is not None):
        measured, *others = response.inputs
        tested = {name: row.values for name, row in coupons.items() if measured in row.values}
        partial = [name for name, values in tested.items() if any(key not in values for key in others)]
        if partial:
            wanted = in_words(response.inputs[key].key for key in others)
            findings.remarks.append(f"{response.name} of coupons {listed(partial)} waits for their {wanted}.")


def _remark_off_plan(study: Study, runs: pd.DataFrame, prints: Rows, loads: Rows, findings: Findings) -> None:
    used = [f"used.{factor.name}" for factor in study.factors]
    word = texts_of(study)(f"deviations.word.{OFF_PLAN}")
    unsaid, unused = [], []
    for name, load in zip(runs["print"], runs["load"], strict=True):
        row, dried = prints.get(name), loads.get(load)
        if row is None:
            continue
        differs = any(key in row.values for key in used)
        says = row.values.get("deviation") == OFF_PLAN
        if differs and "deviation" not in row.values:
            unsaid.append(name)
        if says and not differs and not (dried and any(key in dried.values for key in used)):
            unused.append(name)
    if unsaid:
        findings.remarks.append(
            f"Prints {listed(unsaid)} used another setpoint but are not marked as '{word}': they count at the setpoint under "
            "'used'. Choose that deviation; where 'used' is a slip, correct it."
        )
    if unused:
        findings.remarks.append(f"Prints {listed(unused)} are marked '{word}' but nothing is written under 'used'.")


def _remark_covariates(study: Study, prints: Rows, loads: Rows, findings: Findings) -> None:
    """Name the prints and loads that were made but lack a covariate: it can still be written down as long as it is known."""
    made = {
        "print": {name: row for name, row in prints.items() if row.values.get("outcome") not in (None, *NEVER_PRINTED)},
        "load": {name: row for name, row in loads.items() if len(row.values) > 1},
    }
    for one in study.covariates:
        key = f"covariate.{one.name}"
        without = [name for name, row in made[one.per].items() if key in row.letters and key not in row.values]
        if without:
            findings.remarks.append(f"{one.name} of {one.per}s {listed(without)} is not filled in yet.")
