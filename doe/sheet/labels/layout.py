"""
Labels for the bags: one for the coupons of each print, with its identifier also as a code that a scanner reads.

A sheet of A4 holds 3 x 8 labels of 70 x 36 mm, a common size (common practice, no source); print it at 100 %, without margins.
"""

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import segno

from doe.design.plan import Design
from doe.sheet.layout import coupons_per_print
from doe.sheet.plate import ORIENTATION, places
from doe.study.spec import Study

LABELS = "Labels"
ACROSS, DOWN = 3, 8
WIDTH, HEIGHT = 70.0, 36.0
"""Of one label, mm."""
CODE = 22.0
"""Side of the code with its quiet zone, mm."""
TOP = 4.5
"""Of the sheet above the first row of labels, mm."""
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
    coded = len(runs) <= MOST_CODES
    coupons, spots = coupons_per_print(study), places(study, runs)
    foot = f"{study.header.id}, round {round_number}{', SIMULATED' if study.header.simulated else ''}"
    made = []
    stand_for = runs.get("reprint_of", [""] * len(runs))
    for name, load, printer, order, lost in zip(
        runs["print"], runs["load"], runs["printer"], runs["order"], stand_for, strict=True
    ):
        where = ", ".join(text for text in (f"Load {load}" if load else "", f"printer {printer}" if printer else "") if text)
        bag = f"Coupons {name}-1 to {name}-{coupons}" if coupons > 1 else f"Coupon {name}-1" if coupons else "Whole print"
        bag = _placed([spots[f"{name}-{number}"] for number in range(1, coupons + 1)]) or bag
        lines = (where, f"Print {order} of {len(runs)}{f', reprint of {lost}' if lost else ''}", bag, foot)
        made.append(Label(str(name), lines, code(str(name)) if coded else b""))
    return tuple(made)


def _placed(spots: Sequence[Mapping[str, str]]) -> str:
    """Return where each coupon was and how it lay, what all have in common once; empty where the study says neither."""
    lying = {spot.get(ORIENTATION, "") for spot in spots}
    common = lying.pop() if len(lying) == 1 else ""
    texts = [", ".join(text for key, text in spot.items() if text and not (common and key == ORIENTATION)) for spot in spots]
    each = "; ".join(f"-{number} {text}" for number, text in enumerate(texts, 1) if text)
    return f"{f'All {common}' if common else ''}{': ' if common and each else ''}{each}"


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
