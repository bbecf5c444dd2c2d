"""What the operators are told, on the first sheet of the workbook, in plain words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from doe.sheet.columns import DEVIATIONS, OUTCOMES, words
from doe.sheet.labels.layout import LABELS
from doe.sheet.layout import CHECKS, COUPONS, GRADINGS, KEY, LOADS, PRINTS, SPOOLS, TIMETABLE, Sheet
from doe.study.spec import Study

PREVAIL = (
    "Safety data sheet (SDS), machine manual, site rules, local codes and qualified people prevail over this sheet."
)


@dataclass(frozen=True)
class Line:
    """One line of the sheet: a heading, or a short label with its text."""

    style: Literal["heading", "step", "word", "caution"]
    label: str
    text: str


def instructions(study: Study, tables: Sequence[Sheet], cautions: Sequence[str]) -> tuple[Line, ...]:
    """
    Return the lines below the identity block: what to do in order, what the words mean, and the cautions.

    Parameters
    ----------
    study : Study
    tables : sequence of Sheet
        The sheets that this workbook has; only they are spoken of.
    cautions : sequence of str
        Those of the material's family, one sentence or two each.
    """
    names = {table.name for table in tables}
    steps = _steps(study, names)
    return (
        Line("heading", "What to do, in this order", ""),
        *(Line("step", str(number), text) for number, text in enumerate(steps, 1)),
        Line("heading", "How to fill it in", ""),
        *(Line("step", "–", text) for text in _rules(study, names)),
        *_conditions(study),
        Line("heading", "What the words under 'Outcome' mean", ""),
        *(Line("word", word, meaning) for word, meaning in OUTCOMES.items()),
        Line("heading", "What the words under 'Deviation' mean", ""),
        *(Line("word", word, meaning) for word, meaning in DEVIATIONS.items()),
        Line("heading", "Cautions", ""),
        *(Line("caution", "!", text) for text in cautions),
        Line("caution", "!", PREVAIL),
    )


def _steps(study: Study, names: set[str]) -> Iterator[str]:
    if CHECKS in names:
        yield (
            f"Where a reference probe is at hand, read each printer with it before the first print, at two setpoints "
            f"or more, and write the readings on '{CHECKS}'."
        )
    if SPOOLS in names:
        yield (
            f"Write each spool on '{SPOOLS}' when its bag is opened: lot, its number, the day, and its moisture if it was "
            f"measured. Use the same number on '{LOADS}'. Take fresh spools for each load: one "
            f"that was dried before is drier than planned."
        )
    if LOADS in names:
        yield (
            f"Dry each load as '{LOADS}' says, and write down the spool, when drying began and ended, and the mass "
            f"before and after where it was weighed. One load is one filling of the oven; do not mix loads."
        )
    on = "on the printer named there, " if study.printers else ""
    source = "with filament from the load named there, " if LOADS in names else ""
    yield (
        f"Make the prints in the order of '{PRINTS}', from the top down, {on}{source}at the values under 'set': "
        f"{'they are that printer’s own, already corrected by its checks' if study.printers else 'type them in as they stand'}. "
        f"The order is random on purpose: keep to it even where another would be quicker."
    )
    for per, sheet in (("load", LOADS), ("print", PRINTS)):
        asked = [words(one.name).lower() for one in study.covariates if one.per == per and sheet in names]
        if asked:
            yield (
                f"For every {per} write down on '{sheet}', as it was and without changing anything for it: {', '.join(asked)}. "
                f"It may explain a drift, which the report then tells apart from the settings."
            )
    read = [words(factor.name).lower() for factor in study.factors if factor.reading_sd is not None]
    if read:
        yield f"While a print runs, read its actual {', '.join(read)} and write it on '{PRINTS}'; change nothing because of it."
    if TIMETABLE in names:
        yield f"'{TIMETABLE}' proposes when each of these is done. Its times may slip; its order may not."
    yield (
        f"Put the print's label ('{LABELS}': A4, 3 x 8 labels of 70 x 36 mm, printed at 100 % without margins), or its "
        f"identifier in pen, on its bag at once. The last letter guards against slips."
    )
    if COUPONS in names and study.plate.positions:
        yield f"Place the coupons on the plate as '{COUPONS}' and the label say: they change places on purpose."
    yield "After each print choose its outcome and fill in the light cells of its row, also where it failed."
    if COUPONS in names:
        yield f"Test the coupons. A coupon is the print's identifier and its number; each has its row on '{COUPONS}'."
    if GRADINGS in names:
        yield (
            f"When all prints are graded, grade some again, blind: somebody who does not grade shows the hidden sheet '{KEY}' "
            f"(right click on a sheet's tab, unhide), puts its codes on the pieces in place of their labels, hands them over in "
            f"that order and hides it again. The grader writes each grade on '{GRADINGS}' without looking at others; a second "
            f"person may do the same."
        )
    yield "Save the workbook and hand it back. It may be handed back half filled, and again when there is more."


def _conditions(study: Study) -> Iterator[Line]:
    """Yield what is held fixed, line by line."""
    if study.conditions:
        yield Line("heading", "What is held fixed", "")
        yield from (Line("word", words(name), text) for name, text in study.conditions.items())
        found = f"For each print choose on '{PRINTS}', under 'Conditions as listed', whether it was so."
        yield Line("step", "–", f"{found} Where something was changed, choose that and say in the note what.")


def _rules(study: Study, names: set[str]) -> Iterator[str]:
    yield "Fill in the light cells only; grey ones are locked. Never add, delete or rename a row or a column."
    yield (
        "Leave a cell empty where nothing was measured. Never type 0, 'n/a' or a dash for no result: "
        "the outcome says why it is missing."
    )
    yield (
        "Amber: something is missing. Dark with white figures: not a usual number, look again. Black and struck through: it "
        "contradicts the outcome, or another cell. Colours only ask; 'State' counts what is done."
    )
    yield "Times, temperatures, grams, initials, conditioning, photographs: what you know; nothing waits for them."
    yield "A failure is a result. Choose its outcome; do not print again on the same row."
    where = f" (for a whole load: on '{LOADS}')" if LOADS in names and study.load_factors else ""
    yield (
        f"If another setpoint was used, write it under 'used if not as set'{where} and choose the deviation 'off plan'."
    )
    yield "A mistake may be corrected: type the right value over it and hand the workbook back; both are kept on file."
