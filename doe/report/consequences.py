"""What did not go as planned, each with its effect on the conclusion: what the fit made of it, told from the fit itself."""

from collections.abc import Iterator, Sequence

from doe.design.plan import Design
from doe.model.results import Fit, JudgedFit, ResponseFit
from doe.model.values import AT_LEAST, BROKE_EARLY, FAILED
from doe.record.match import Record
from doe.report import numbers
from doe.report.protocol import deviation_rows
from doe.report.tables import Table, words
from doe.sheet.columns import NEVER_PRINTED, OUTCOMES
from doe.study.spec import Study

_CHANGED = "conditions changed"
_SAID = {
    "off plan": "counts at the settings that were used",
    _CHANGED: "counts as recorded; no model allows for the change",
    "not recorded": "no part of any model yet",
}


def consequence_rows(study: Study, design: Design, record: Record, fit: Fit | None) -> Table:
    """
    Return every deviation and failure with its effect on the conclusion.

    Parameters
    ----------
    study, design, record : Study, Design, Record
    fit : Fit or None
        Says what became of each value; None where nothing was fitted yet.
    """
    table = deviation_rows(study, design, record)
    confirming = {str(run["print"]) for run in design.runs.to_dict("records") if run["round"] in design.confirmations}
    rows = []
    for row in table.rows:
        item, happened = row[0], row[3]
        if fit is None:
            effect = "known after the fit"
        elif item.rpartition("-")[0] in confirming or item in confirming:
            effect = "of a confirmation: no part of the models, judged in section 8"
        else:
            effect = "; ".join(dict.fromkeys(_effects(item, happened.split(", "), fit)))
        rows.append((*row, effect or "none: counts as it is"))
    columns = (*table.columns, "Effect on the conclusion")
    return Table(table.title, columns, tuple(rows), f"{table.align}l")


def _effects(item: str, happened: list[str], fit: Fit) -> Iterator[str]:
    own = {one.response: what for one in fit.responses for what in OUTCOMES if f"{words(one.response)} {what}" in happened}
    for name, what in own.items():
        if what in FAILED:
            yield "counts as a failure in the chance to complete"
        yield from _limits(item, what, [one for one in fit.responses if one.response == name])
    for what in happened:
        if what in FAILED:
            yield "counts as a failure in the chance to complete"
        if what in NEVER_PRINTED:
            yield "tells nothing of the factors; the plan lacks it"
        if what in _SAID:
            yield _SAID[what]
        yield from _limits(item, what, [one for one in fit.responses if one.response not in own])
        if what == "suspect":
            yield from _doubted(item, fit)
    yield from _left_out(item, fit)


def _limits(item: str, what: str, responses: Sequence[ResponseFit]) -> Iterator[str]:
    """Yield for which of some responses a value counts as a limit because of an outcome."""
    side = "at least" if what in AT_LEAST else "at most"
    for one in responses if what in (*AT_LEAST, BROKE_EARLY, *FAILED) else ():
        if one.limits is not None and any(_is_of(name, item) for name in one.limits.items):
            how = "counts as" if one.limits.used else "could not be made to count as"
            yield f"{words(one.response)}: {how} {side} its limit"


def _doubted(item: str, fit: Fit) -> Iterator[str]:
    """Yield how far the values in doubt move each model that has them; a line about several values names no single one."""
    counted = False
    for one in fit.responses:
        found = one.sensitivity
        if found is None or not (item.endswith(("value", "values")) or any(_is_of(name, item) for name in found.items)):
            continue
        counted = True
        moves = [(abs(shift.standard_errors), shift.label) for shift in found.shifts if shift.standard_errors is not None]
        said = "no fit without them" if not moves else (
            f"without all in doubt {words(max(moves)[1])} moves most, by {numbers.plain(max(moves)[0], 2)} standard errors"
        )
        yield f"{words(one.response)}: counts; {said}"
    if not counted:
        yield "no part of a measured model"


def _left_out(item: str, fit: Fit) -> Iterator[str]:
    """Yield which models do without the print or coupon."""
    every: tuple[ResponseFit | JudgedFit, ...] = (*fit.responses, *fit.judged)
    without = [one.response for one in every if any(_is_of(name, item) for name, _ in one.excluded)]
    if without:
        yield f"left out of {', '.join(words(name) for name in without)}"


def _is_of(name: str, item: str) -> bool:
    """Whether a value belongs to a print or coupon: it has its name, or is a coupon of the print."""
    return name == item or name.startswith(f"{item}-")
