"""Grading some prints twice, blind, which shows how well grades repeat.

Each print that is graded twice has two codes. They stand in random order, are random letters, and say neither which print it is
nor which two belong together; only the key, a hidden sheet for whoever hands the pieces out, does.
"""

from dataclasses import dataclass

import numpy as np

from doe.design.plan import PILOT, Design
from doe.sheet.columns import Column, Value, fitting, method_of, note
from doe.study.operators import Texts, texts_of
from doe.study.spec import Response, Study

_LETTERS = "CDFHJKLMNPQRTVWXY"
"""Without those that are read as digits, and without vowels."""
_LENGTH = 4
_STREAM = 3
"""Keeps these random numbers apart from all others of a plan's seed."""
GRADE, OTHER = "grade.", "other_grade."
Rows = tuple[dict[str, Value], ...]


@dataclass(frozen=True)
class Coded:
    """One grading of one piece."""

    code: str
    response: str
    item: str
    """The print, or of a response per coupon its first coupon."""
    time: int
    """1 or 2; which is which means nothing."""


def checked_responses(study: Study) -> tuple[Response, ...]:
    """Return the graded responses of which some prints are graded twice."""
    return tuple(one for one in study.responses if one.kind == "graded" and one.grader_check is not None)


def gradings(study: Study, design: Design, round_number: int) -> tuple[Coded, ...]:
    """
    Return the gradings of one round in the order in which they are made; none but for the first round of the plan.

    Parameters
    ----------
    study : Study
    design : Design
        Its seed decides which prints are graded twice, their codes and their order.
    round_number : int
    """
    asked = checked_responses(study)
    if not asked or round_number != min((one for one in design.rounds if one != PILOT), default=None):
        return ()
    runs = design.of_round(round_number)
    generator = np.random.default_rng([int(runs["seed"].iloc[0]), _STREAM])
    codes = _codes(generator, 2 * len(asked) * len(runs))
    made = []
    for place, response in enumerate(asked):
        first = 2 * place * len(runs)
        names = generator.permutation(runs["print"].to_numpy(dtype=object))[: response.grader_check]
        for number, name in enumerate(names):
            item = f"{name}-1" if response.per == "coupon" else str(name)
            made += [Coded(codes[first + 2 * number + time], response.name, item, time + 1) for time in (0, 1)]
    return tuple(made[at] for at in generator.permutation(len(made)))


def meant(study: Study, design: Design, round_number: int) -> dict[str, dict[str, Value]]:
    """Return, per code, what the record keeps of it besides the grades."""
    return {
        one.code: {"response": one.response, "item": one.item, "time": one.time}
        for one in gradings(study, design, round_number)
    }


def grading_columns(study: Study) -> list[Column]:
    """Return the columns of the sheet of codes; a response's own are open in its rows alone."""
    asked, say = checked_responses(study), texts_of(study)
    names = {one.name: say.name(one.name) for one in asked}
    others = {name: say("columns.second_grade", name=shown) for name, shown in names.items()}
    return [
        Column("place", say("columns.order"), "number", width=7.5),
        Column("code", say("columns.code"), width=9),
        Column("what", say("columns.what_is_graded"), width=fitting(names.values())),
        *(_grade(say, one, GRADE, names[one.name]) for one in asked),
        Column("grader", say("columns.graded_by"), fill=True, hint=say("hints.initials_or_name")),
        *(_grade(say, one, OTHER, others[one.name]) for one in asked),
        Column("other_grader", say("columns.second_grader"), fill=True, hint=say("hints.second_grader")),
        note(say),
    ]


def _grade(say: Texts, response: Response, key: str, header: str) -> Column:
    grades: dict[str, Value] = {str(grade): float(grade) for grade in response.grades or ()}
    hint = say("hints.grade_again", method=method_of(say, response))
    return Column(f"{key}{response.name}", header, "choice", True, grades, width=12, hint=hint, part="result")


def grading_rows(study: Study, made: tuple[Coded, ...]) -> tuple[Rows, frozenset[tuple[str, str]]]:
    """Return the rows of the sheet of codes, and its cells that stay closed: those of other responses."""
    say = texts_of(study)
    rows: Rows = tuple({"place": place, "code": one.code, "what": say.name(one.response)} for place, one in enumerate(made, 1))
    keys = [f"{kind}{one.name}" for one in checked_responses(study) for kind in (GRADE, OTHER)]
    closed = {(one.code, key) for one in made for key in keys if not key.endswith(f".{one.response}")}
    return rows, frozenset(closed)


def key_columns(say: Texts) -> list[Column]:
    """Return the columns of the key."""
    return [
        Column("place", say("columns.order"), "number", width=7.5), Column("code", say("columns.code"), width=9),
        Column("item", say("columns.piece"), width=12), Column("what", say("columns.what_is_graded"), width=24),
    ]


def key_rows(say: Texts, made: tuple[Coded, ...]) -> Rows:
    """Return the rows of the key, in the order in which the pieces are handed out."""
    return tuple(
        {"place": place, "code": one.code, "item": one.item, "what": say.name(one.response)} for place, one in enumerate(made, 1)
    )


def _codes(generator: np.random.Generator, count: int) -> list[str]:
    """Return different codes, random and without any order."""
    base = len(_LETTERS)
    drawn = generator.choice(base**_LENGTH, size=count, replace=False)
    return ["".join(_LETTERS[int(number) // base**place % base] for place in range(_LENGTH)) for number in drawn]
