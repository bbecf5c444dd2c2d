"""Whether grades repeat, judged from prints that were graded twice, blind."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.numerics import agreement as numeric
from doe.record.match import Record
from doe.sheet.grading import GRADE, OTHER, checked_responses
from doe.study.spec import Response, Study
from doe.verdicts import Verdict


@dataclass(frozen=True)
class Repeated:
    """One comparison of grades of one response."""

    response: str
    who: str
    """Whose two grades are compared, in words."""
    found: numeric.Agreement
    level: float
    """Of the interval of kappa."""

    @property
    def word(self) -> str:
        """How good the agreement is called; empty where there is no kappa."""
        return "" if self.found.kappa is None else numeric.word_for(self.found.kappa)

    @property
    def repeatable(self) -> bool:
        """Whether nothing speaks against relying on these grades."""
        return self.found.kappa is None or self.found.kappa >= numeric.REPEATABLE


def repeated_grades(study: Study, record: Record) -> tuple[Repeated, ...]:
    """
    Compare the grades of every response that asks for it: each grader with himself, and the two with each other.

    Parameters
    ----------
    study : Study
    record : Record

    Returns
    -------
    tuple of Repeated
        Comparisons with at least one piece.
    """
    return tuple(one for response in checked_responses(study) for one in _of_response(study, response, record.gradings))


def _of_response(study: Study, response: Response, graded: pd.DataFrame) -> Iterator[Repeated]:
    own, other = f"{GRADE}{response.name}", f"{OTHER}{response.name}"
    if own not in graded:
        return
    mine = graded[graded["response"] == response.name]
    known = [float(grade) for grade in response.grades or ()]
    mine = mine.assign(**{key: mine[key].where(mine[key].isin(known)) for key in (own, other)})
    pairs = {
        "first grader, graded twice": _twice(mine, own),
        "second grader, graded twice": _twice(mine, other),
        "first and second grader": mine[[own, other]].dropna().to_numpy(dtype=float),
    }
    level = study.header.confidence
    for who, both in pairs.items():
        if len(both):
            yield Repeated(response.name, who, numeric.agreement(both[:, 0], both[:, 1], known, level), level)


def _twice(graded: pd.DataFrame, key: str) -> NDArray[np.float64]:
    """Return the two grades of each piece that has both, shape (n, 2)."""
    first, second = (graded[graded["time"] == time].set_index("item")[key] for time in (1, 2))
    return np.asarray(pd.concat([first, second], axis=1).dropna().to_numpy(dtype=float))


def verdicts(study: Study, found: Iterable[Repeated]) -> Iterator[Verdict]:
    """Yield the responses whose grades do not repeat, and those whose check was asked for and is not made."""
    found = list(found)
    for response in checked_responses(study):
        mine = [one for one in found if one.response == response.name]
        if not mine:
            yield Verdict(
                "grades not checked",
                f"the study asks for {response.grader_check} prints to be graded twice, and no print has two grades",
                "have them graded as the sheet 'Grader check' says, before anything rests on these grades",
                response.name,
            )
        yield from (_not_repeatable(one) for one in mine if not one.repeatable)


def _not_repeatable(one: Repeated) -> Verdict:
    found = one.found
    limits = "" if found.low is None else f" ({100 * one.level:g} % interval {found.low:.2f} to {found.high:.2f})"
    return Verdict(
        "grades not repeatable",
        f"{one.who}, {found.pieces} pairs: weighted kappa {found.kappa:.2f}{limits}, which is called {one.word}; "
        f"{100 * found.equal:.0f} % of the grades are the same twice",
        "agree on a photograph for each grade, practise, grade all prints anew, and check again",
        one.response,
    )
