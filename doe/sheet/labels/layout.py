"""
Labels for the bags: one for the coupons of each print, with its identifier also as a code that a scanner reads.

A sheet of A4 holds 3 x 8 labels of 70 x 36 mm, a common size (common practice, no source); print it at 100 %, without margins.
"""

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import segno

from doe.design.plan import Design
from doe.sheet.pieces import pieces_of_tests
from doe.sheet.plate import ORIENTATION, places
from doe.study.operators import Texts, texts_of
from doe.study.spec import Study

LABELS = "labels"
"""Key of the sheet's title among the texts."""
ACROSS, DOWN = 3, 8
WIDTH, HEIGHT = 70.0, 36.0
"""Of one label, mm."""
CODE = 22.0
"""Side of the code with its quiet zone, mm."""
TOP = 4.5
"""Of the sheet above the first row of labels, mm."""
_MOST_LETTERS = 100
"""Of what is in the bag; more would be too small to read."""
MOST_CODES = 1000
"""Beyond as many prints, labels have no codes: each is a part of the file, and a workbook of thousands of parts is refused."""


@dataclass(frozen=True)
class Label:
    """One label: the identifier in large type, lines below it, and the code as a PNG image (empty: none)."""

    identifier: str
    lines: tuple[str, ...]
    code: bytes


def labels(study: Study, design: Design, round_number: int) -> tuple[Label, ...]:
    """
    Return the labels of one round, in the order in which the prints are made.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int
    """
    runs = design.of_round(round_number).sort_values("order", kind="stable")
    coded, say = len(runs) <= MOST_CODES, texts_of(study)
    coupons, spots = study.coupons_per_print, places(study, runs, say)
    foot = say(f"labels.foot{'_simulated' if study.header.simulated else ''}", study=study.header.id, round=round_number)
    made = []
    stand_for = runs.get("reprint_of", [""] * len(runs))
    for name, load, printer, order, lost in zip(
        runs["print"], runs["load"], runs["printer"], runs["order"], stand_for, strict=True
    ):
        said = [say("labels.load", load=load) if load else "", say("labels.printer", printer=printer) if printer else ""]
        counted = say(f"labels.{'reprint' if lost else 'print'}", order=order, prints=len(runs), lost=lost)
        bag = _placed(say, [spots[f"{name}-{number}"] for number in range(1, coupons + 1)]) or _bag(study, say, str(name))
        lines = (", ".join(filter(None, said)), counted, bag, foot)
        made.append(Label(str(name), lines, code(str(name)) if coded else b""))
    return tuple(made)


def _bag(study: Study, say: Texts, name: str) -> str:
    """Return what is in the bag of a print, test by test where there is room for it."""
    coupons, tests = study.coupons_per_print, pieces_of_tests(study, say)
    first, last = f"{name}-1", f"{name}-{coupons}"
    said = say(f"labels.{'coupons' if coupons > 1 else 'coupon' if coupons else 'whole'}", first=first, last=last)
    full = say("labels.tested", coupons=said, tests=tests) if tests else said
    return full if len(full) <= _MOST_LETTERS else said


def _placed(say: Texts, spots: Sequence[Mapping[str, str]]) -> str:
    """Return where each coupon was and how it lay, what all have in common once; empty where the study says neither."""
    lying = {spot.get(ORIENTATION, "") for spot in spots}
    common = lying.pop() if len(lying) == 1 else ""
    texts = [", ".join(text for key, text in spot.items() if text and not (common and key == ORIENTATION)) for spot in spots]
    each = "; ".join(f"-{number} {text}" for number, text in enumerate(texts, 1) if text)
    return f"{say('labels.all', common=common) if common else ''}{': ' if common and each else ''}{each}"


def code(text: str) -> bytes:
    """
    Return a text as a QR code (ISO/IEC 18004, error correction M), with its quiet zone of four modules.

    Returns
    -------
    bytes
        A PNG image.
    """
    image = io.BytesIO()
    segno.make_qr(text, error="m", mask=0, boost_error=False).save(image, kind="png", scale=4, border=4)
    return image.getvalue()
