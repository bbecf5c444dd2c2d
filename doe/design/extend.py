"""A further round: more prints for a study that was begun, chosen together with those that were made.

Earlier rows stay as they are. Every round has a mean of its own, a fixed effect like that of a printer, in every search and
count here as in the fit.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from doe.design import around, ascent, axial, check, foldover, order, plan, points, region, setpoints
from doe.design.around import Box
from doe.design.ascent import Line
from doe.design.optimal import Prints
from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.numerics import search, terms
from doe.study import scale
from doe.study.spec import Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
Kind = Literal["fold-over", "axial", "optimal", "ascent"]

CENTRE_PRINTS = 4
"""Centre prints that come with axial points where no number of prints is asked for."""
NEW_LOADS = 3
"""Drying loads of a further round where neither the request nor the budget says how many."""
PATH_PRINTS = 6
"""Most prints along a line where no number is asked for: the start and five steps."""
_FEWEST = 4
_SLACK = 1e-9


@dataclass(frozen=True)
class ExtendRequest:
    """What the engineer asks of a further round."""

    kind: Kind = "optimal"
    prints: int | None = None
    """None: what is left of the budget; a fold-over, and axial points with their centre prints, have a number of their own."""
    loads: int | None = None
    """New drying loads; None: what is left of the budget, else three."""
    factors: tuple[str, ...] = ()
    """Whose signs are reversed, or who gets axial points; empty: all."""
    distance: float = 1.0
    """Of the axial points from the centre, coded; 1: on the faces."""
    terms: tuple[str, ...] | None = None
    """A larger model than the declared one, for which optimal prints are chosen; None: the declared one."""
    seed: int = 1


@dataclass(frozen=True)
class _Made:
    """The prints of the round, in run order."""

    prints: Prints
    facts: dict[str, Any]
    verdicts: tuple[Verdict, ...] = ()


def extend(
    study: Study,
    design: Design,
    request: ExtendRequest,
    where: Box | Line | None = None,
    without: Sequence[str] = (),
) -> Design:
    """
    Make the next round's prints.

    Parameters
    ----------
    study : Study
    design : Design
        The rounds that there are.
    request : ExtendRequest
    where : Box or Line, optional
        For ``optimal`` the region that is searched and over which prediction is averaged, without it the whole region; for
        ``ascent`` the line.
    without : sequence of str
        Earlier prints that gave no value: an optimal round does not count on them.

    Returns
    -------
    Design
        The earlier rows as they were, then the new ones; facts and verdicts of all rounds together.

    Raises
    ------
    InputRefused
        Where the kind does not fit the factors, there are too few prints or loads for it, or a print would break a limit or a
        constraint.
    """
    _refuse_odd_requests(study, design, request)
    if request.kind == "optimal":
        made = _optimal(
            study, design, request, where if isinstance(where, Box) else around.whole(study), tuple(without)
        )
    elif request.kind == "ascent":
        made = _ascent(study, design, request, where if isinstance(where, Line) else None)
    elif request.kind == "fold-over":
        made = _fold_over(study, design, request)
    else:
        made = _axial(study, design, request)
    return _joined(study, design, made, request)


def _joined(study: Study, design: Design, made: _Made, request: ExtendRequest) -> Design:
    """Put the new rows under the earlier ones, and check all rounds together."""
    prints = made.prints
    targets, rounding = setpoints.on_increments(study, prints.coded)
    setpoints.require_allowed(study, targets, prints.kinds)
    provenance = plan.next_round(design, request.kind, request.seed)
    new = plan.assemble(study, targets, prints.load, prints.printer, prints.kinds, provenance)
    new["cell"] = check.cells_after(study, design.runs, new)
    runs = plan.joined(design.runs, new)
    facts = {"kind": request.kind, "round": provenance.round, **made.facts}
    if request.kind == "fold-over":  # the others are laid on the increments from the start
        facts["rounding"] = rounding
    whole = plan.checked(study, runs, facts)
    return replace(whole, verdicts=(*made.verdicts, *whole.verdicts))


# Refusals that all kinds share


def _refuse_odd_requests(study: Study, design: Design, request: ExtendRequest) -> None:
    names = [factor.name for factor in study.factors]
    unknown = [name for name in request.factors if name not in names]
    problems = [
        Problem(
            "--factors", f"'{name}' is not a factor", f"the factors are {', '.join(names)}", "write its name as there"
        )
        for name in unknown
    ]
    if request.factors and request.kind not in ("fold-over", "axial"):
        problems.append(
            Problem(
                "--factors",
                f"factors named for --kind {request.kind}",
                "they go with fold-over and axial",
                "leave them out",
            )
        )
    if request.loads is not None and not _has_loads(design):
        problems.append(
            Problem(
                "--loads",
                f"{request.loads} drying loads, and the earlier rounds do not say which prints shared one",
                "all rounds or none name their loads",
                "leave --loads out",
            )
        )
    if problems:
        raise InputRefused(problems)


def _has_loads(design: Design) -> bool:
    return bool((design.runs["load"] != "").any())


def _too_few(request: ExtendRequest, found: int, least: int, why: str) -> InputRefused:
    return InputRefused(
        Problem(
            f"--prints, for --kind {request.kind}",
            f"{found} prints",
            f"at least {least}: {why}",
            f"give {least} or more",
        )
    )


# Loads and order


def left_of_budget(study: Study, design: Design) -> tuple[int, int]:
    """Return how many prints and drying loads of the budget are not planned yet; 0 where none, or no budget, is left."""
    made = len(design.fitted), len({load for load in design.fitted["load"] if load})
    wanted = study.budget.prints or 0, study.budget.loads or 0
    return max(0, wanted[0] - made[0]), max(0, wanted[1] - made[1])


def _new_loads(study: Study, design: Design, request: ExtendRequest, prints: int, least: int = 1) -> int:
    """Return how many drying loads the round gets; 0 where the earlier rounds have none."""
    if not _has_loads(design):
        return 0
    if request.loads is None:
        return min(prints, max(least, left_of_budget(study, design)[1] or NEW_LOADS))
    if not least <= request.loads <= prints:
        raise InputRefused(
            Problem(
                "--loads",
                f"{request.loads} drying loads for {prints} prints",
                f"from {least} (one per level of what is fixed in a load) to {prints} (one per print)",
                "change --loads or --prints",
            )
        )
    return request.loads


def _arranged(study: Study, design: Design, request: ExtendRequest, coded: Array, kinds: Sequence[str]) -> Prints:
    """Deal the prints of a named family to loads and printers, in random order."""
    targets, _ = setpoints.on_increments(study, coded)
    names = [factor.name for factor in study.load_factors]
    least = len(targets[names].drop_duplicates()) if names else 1
    loads = _new_loads(study, design, request, len(targets), least)
    load, printer, sequence = order.arrange(study, targets, loads, request.seed)
    return Prints(coded[sequence], [kinds[row] for row in sequence], load[sequence], printer[sequence])


# The kinds


def _fold_over(study: Study, design: Design, request: ExtendRequest) -> _Made:
    """Repeat the first round's two-level prints with signs reversed; prints beyond these are at the centre."""
    first = scale.coded(study, check.settings_of(study, design.of_round(int(design.fitted["round"].min()))))
    corners = first[foldover.two_level(study, first)]
    folded = [place for place, one in enumerate(study.factors) if one.name in request.factors or not request.factors]
    made = foldover.fold(study, corners, folded)
    prints = len(corners) if request.prints is None else request.prints
    if prints < len(corners):
        raise _too_few(request, prints, len(corners), "one for each two-level print of the first round")
    settings, kinds = points.with_centre(study, made.coded, ["corner"] * len(corners), prints - len(corners))
    said = () if made.facts["separated"] else (_separates_nothing(made.facts),)
    return _Made(_arranged(study, design, request, settings, kinds), made.facts, said)


def _separates_nothing(facts: dict[str, Any]) -> Verdict:
    return Verdict(
        "fold-over separates nothing",
        f"with the signs of {', '.join(facts['folded'])} reversed, every effect stays with those it stood for before",
        "fold one factor (--factors), whose main effect and products then come free, or choose --kind optimal",
    )


def _axial(study: Study, design: Design, request: ExtendRequest) -> _Made:
    """Add axial points and centre prints, which make squares estimable."""
    found = axial.points(study, request.factors, request.distance)
    least = len(found.coded)
    prints = least + CENTRE_PRINTS if request.prints is None else request.prints
    if prints < least:
        raise _too_few(request, prints, least, "two for each factor with axial points")
    settings, kinds = points.with_centre(study, found.coded, ["axial"] * least, prints - least)
    form = "face" if request.distance == 1 else "inscribed" if request.distance < 1 else "circumscribed"
    facts = {"axial_distance": request.distance, "form": form, "axial_factors": list(found.factors)}
    return _Made(_arranged(study, design, request, settings, kinds), facts, (*found.verdicts, *_squares(study)))


def _squares(study: Study) -> list[Verdict]:
    """Return a verdict where the declared model has no squares for the axial points to estimate."""
    if any(len(term) > len(set(term)) for term in scale.model_terms(study)):
        return []
    return [
        Verdict(
            "declared model without squares",
            "axial points make squares estimable, and the declared model has none",
            "declare them in [model] terms and run 'doe amend' with the reason, before the results are in",
        )
    ]


def _optimal(study: Study, design: Design, request: ExtendRequest, box: Box, without: tuple[str, ...]) -> _Made:
    """Search for the prints that, with the earlier ones, tell most about the region."""
    prints = left_of_budget(study, design)[0] if request.prints is None else request.prints
    loads = _new_loads(study, design, request, max(prints, 1))
    least = max(_FEWEST, loads)
    if prints < least:
        raise _too_few(request, prints, least, "fewer, with a mean of their own round and load, tell next to nothing")
    load = search.even_loads(prints, loads) if loads else np.full(prints, -1, dtype=np.int64)
    earlier = design.fitted[~design.fitted["print"].isin(without)]
    model, larger = _model(study, request)
    made = around.added(study, earlier, box, load, model, request.seed)
    facts = {"region": around.in_words(study, box), "model": [scale.term_label(study, term) for term in model]}
    return _Made(made, facts, (*larger, *around.verdicts(box), *_not_counted(without)))


def _model(study: Study, request: ExtendRequest) -> tuple[tuple[terms.Term, ...], list[Verdict]]:
    """Return the model that prints are chosen for, and a verdict where it holds more than the declared one."""
    declared = scale.model_terms(study)
    if request.terms is None:
        return declared, []
    try:
        wanted = scale.model_terms(study, [*request.terms, *(scale.term_label(study, term) for term in declared)])
    except ValueError as error:
        names = ", ".join(factor.name for factor in study.factors)
        raise InputRefused(
            Problem("--terms", str(error), f"terms of the factors {names}, like 'a * b' or 'a^2'", "write it anew")
        ) from None
    more = [scale.term_label(study, term) for term in wanted if term not in declared]
    verdict = Verdict(
        "chosen for a larger model",
        f"the prints can tell {', '.join(more)} as well, and the declared model stays as it is",
        "to fit these terms as declared, put them into [model] terms and run 'doe amend' before the results are in",
    )
    return wanted, [verdict] if more else []


def _not_counted(without: tuple[str, ...]) -> list[Verdict]:
    if not without:
        return []
    cause = f"{', '.join(without)} gave no value, so the new prints were chosen without them"
    return [Verdict("earlier prints without a value", cause, "look at their settings before printing near them")]


def _ascent(study: Study, design: Design, request: ExtendRequest, line: Line | None) -> _Made:
    """Print along a line in its order, on one printer, with a new load wherever a load factor moves."""
    if request.loads is not None:
        raise InputRefused(
            Problem(
                "--loads", f"{request.loads} for --kind ascent", "its loads follow from the line", "leave --loads out"
            )
        )
    prints = request.prints or min(left_of_budget(study, design)[0] or PATH_PRINTS, PATH_PRINTS)
    if prints < _FEWEST:
        raise _too_few(request, prints, _FEWEST, "a start and three steps")
    path = ascent.points(study, line, prints)
    coded = path.coded
    own = coded[:, list(region.hard(study))]
    load = np.append(0, np.cumsum((np.diff(own, axis=0) != 0).any(axis=1))).astype(np.int64)
    generator = np.random.default_rng(request.seed)
    printer = int(generator.integers(len(study.printers))) if study.printers else -1
    made = Prints(
        coded,
        [region.position(study, row) for row in coded],
        load if _has_loads(design) else np.full(len(coded), -1, dtype=np.int64),
        np.full(len(coded), printer, dtype=np.int64),
    )
    return _Made(made, {"steps": path.steps}, path.verdicts)
