"""The plan: from a study to the prints that will be made, each with its load, printer, place in the order."""

from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, findings, optimal, order, points, purpose, quality, setpoints
from doe.design.purpose import Choice
from doe.design.request import OPTIMAL, PlanRequest
from doe.errors import InputRefused, Problem
from doe.study.spec import Study
from doe.verdicts import Verdict

Codes = NDArray[np.int64]

PILOT = 0
"""The number of a pilot's round: its prints are recorded and reported, and not fitted."""
CONFIRMATION = "confirmation"
"""The kind of a round that repeats a recommended setting: its prints judge the fit that was made before them."""


@dataclass(frozen=True)
class Design:
    """
    Every planned print of a study, all rounds, in run order.

    Parameters
    ----------
    runs : DataFrame, one row a print
        ``round`` (1, 2, ...; 0 for a pilot), ``order`` (1 .. prints of the round), ``print`` (identifier), ``load``
        (identifier, or empty where the study has no loads), ``printer`` (name, or empty where the study names none), ``point``
        (corner, centre, axial, edge, inside, reference, adopted), ``cell`` (number of the setting in the plan: equal numbers are
        replicates), ``kind`` (of the plan), ``seed``; then for each factor ``target.NAME`` (actual value wanted, natural units,
        or a level) and ``set.NAME`` (this printer's setpoint). With reprints also ``reprint_of`` (the lost print that this one
        stands for, or empty) and ``block`` (the round that it counts for).
    verdicts : tuple of Verdict
        What the plan cannot do, as known when it was made; empty for a plan read from disk.
    facts : dict
        Resolution, aliases, axial distance, rounding and degrees of freedom, as known when it was made.
    """

    runs: pd.DataFrame
    verdicts: tuple[Verdict, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)

    def of_round(self, number: int) -> pd.DataFrame:
        """Return the rows of one round, in run order."""
        return self.runs[self.runs["round"] == number]

    @property
    def fitted(self) -> pd.DataFrame:
        """The rows that the declared model is fitted to: all but a pilot's and those of confirmations."""
        kept = (self.runs["round"] != PILOT) & (self.runs["kind"] != CONFIRMATION)
        return self.runs[kept].reset_index(drop=True)

    @property
    def confirmations(self) -> list[int]:
        """The numbers of the rounds that confirm a recommendation, ascending."""
        return sorted({int(number) for number in self.runs.loc[self.runs["kind"] == CONFIRMATION, "round"]})

    @property
    def only_pilot(self) -> bool:
        """Whether there is nothing but a pilot."""
        return bool((self.runs["round"] == PILOT).all())

    @property
    def rounds(self) -> list[int]:
        """The round numbers, ascending."""
        return sorted({int(number) for number in self.runs["round"]})


def plan_runs(study: Study, request: PlanRequest, pilot: pd.DataFrame | None = None) -> Design:
    """
    Make the first round's plan.

    Parameters
    ----------
    study : Study
    request : PlanRequest
    pilot : DataFrame, optional
        Rows of a pilot that stay in the plan before those of the first round; identifiers go on from theirs.

    Returns
    -------
    Design
        With its facts and verdicts.

    Raises
    ------
    InputRefused
        Where the kind does not fit the factors, the declared model cannot be estimated, a print would break a limit or
        a constraint, the budget is too small, or the loads leave no error degree of freedom for the load factors.
    """
    choice = purpose.choose(study, request)
    made = _searched(study, request, choice) if choice.kind in OPTIMAL else _family(study, request, choice)
    first = (1, 1) if pilot is None else (len(pilot) + 1, len({load for load in pilot["load"] if load}) + 1)
    runs = _in_order(study, made, Provenance(choice.kind, request.seed, 1, *first))
    if pilot is not None:
        runs["cell"] = check.cells_after(study, pilot, runs)
    design = checked(study, runs, made.facts, require_load_dof=True)
    why = purpose.reasons(choice, check.strata(study, runs), numeric=any(one.is_numeric for one in study.factors))
    held = None if choice.held_back is None else asdict(choice.held_back)
    facts = {**design.facts, "purpose": choice.purpose, "why": why, "held_back": held}
    return replace(design, runs=runs if pilot is None else joined(pilot, runs), facts=facts)


@dataclass(frozen=True)
class _Made:
    """Settings with their loads and printers, and the order to print them in."""

    targets: pd.DataFrame
    kinds: list[str]
    load: Codes
    printer: Codes
    sequence: Codes
    facts: dict[str, Any]


def _family(study: Study, request: PlanRequest, choice: Choice) -> _Made:
    """Arrange the settings of a named family in loads, printers and order."""
    made = points.make(study, request, choice.kind)
    coded, kinds = points.with_references(study, made)
    targets, rounding = setpoints.on_increments(study, coded)
    setpoints.require_allowed(study, targets, kinds)
    check.require_estimable(study, targets, choice.kind)
    arranged = order.arrange(study, targets, order.load_count(study, targets, request.loads), request.seed)
    efficiency = check.rounding_efficiency(study, coded, targets)
    facts = {"kind": made.kind, **made.facts, "rounding": rounding, "rounding_efficiency": efficiency}
    return _Made(targets, kinds, *arranged, facts)


def _searched(study: Study, request: PlanRequest, choice: Choice) -> _Made:
    """Search for settings, loads and printers at once; only the order is left to chance."""
    made = optimal.make(study, choice, request.centre or 0, request.seed)
    targets, _ = setpoints.on_increments(study, made.coded)
    check.require_estimable(study, targets, choice.kind)
    sequence, _ = order.run_order(made.load, made.printer, np.random.default_rng(request.seed))
    return _Made(targets, made.kinds, made.load, made.printer, sequence, {"kind": choice.kind, "rounding_efficiency": made.kept})


def _in_order(study: Study, made: _Made, provenance: "Provenance") -> pd.DataFrame:
    sequence = made.sequence
    return assemble(
        study,
        made.targets.iloc[sequence].reset_index(drop=True),
        made.load[sequence],
        made.printer[sequence],
        [made.kinds[index] for index in sequence],
        provenance,
    )


@dataclass(frozen=True)
class Provenance:
    """Where the rows of a round come from."""

    kind: str
    """Of the plan."""
    seed: int
    round: int = 1
    first_print: int = 1
    """Number in the identifier of its first print."""
    first_load: int = 1
    """The same of its first drying load."""


def next_round(design: Design, kind: str, seed: int) -> Provenance:
    """Return where the rows of a further round come from: its number and its identifiers go on from those that there are."""
    last_print, last_load = (max(number(name) for name in design.runs[column]) for column in ("print", "load"))
    return Provenance(kind, seed, design.rounds[-1] + 1, last_print + 1, last_load + 1)


def assemble(
    study: Study,
    targets: pd.DataFrame,
    load: NDArray[np.int64],
    printer: NDArray[np.int64],
    kinds: list[str],
    provenance: Provenance,
) -> pd.DataFrame:
    """
    Build the rows of one round from settings that are already in run order.

    Parameters
    ----------
    study : Study
    targets : DataFrame of shape (n, k)
        One column per factor, natural units or level names.
    load, printer : ndarray of shape (n,)
        Codes; -1 where there is none. Loads are numbered in order of first appearance.
    kinds : list of str, length n
    provenance : Provenance

    Returns
    -------
    DataFrame
        As documented for :class:`Design`.
    """
    n = len(targets)
    width = max(2, len(str(provenance.first_print + n - 1)))
    first_seen = {code: place for place, code in enumerate(dict.fromkeys(load.tolist()))}
    names = [study.printers[code].name if code >= 0 else "" for code in printer]
    data: dict[str, object] = {
        "round": provenance.round,
        "order": np.arange(1, n + 1),
        "print": [identifier("P", provenance.first_print + i, width) for i in range(n)],
        "load": [
            identifier("L", provenance.first_load + first_seen[code], 2) if code >= 0 else "" for code in load.tolist()
        ],
        "printer": names,
        "point": kinds,
        "cell": check.cells(targets) + 1,
        "kind": provenance.kind,
        "seed": provenance.seed,
    }
    for factor in study.factors:
        data[f"target.{factor.name}"] = targets[factor.name].to_numpy()
        data[f"set.{factor.name}"] = setpoints.of_printers(study, factor, targets[factor.name], names)
    runs = pd.DataFrame(data)
    setpoints.require_settable(study, runs)
    return runs


_LETTERS = "ACDEFHJKLMNPRTUVWXY"


def identifier(prefix: str, number: int, width: int) -> str:
    """
    Return an identifier that survives a pen and a hurry: ``P07`` with a check letter.

    Any one wrong digit, or two neighbours swapped, changes the letter: the weights are distinct and the 19 letters (no
    B, G, I, O, Q, S or Z, which read as digits) are a prime number.
    """
    digits = f"{number:0{width}d}"
    total = sum(place * int(digit) for place, digit in enumerate(reversed(digits), 2)) + ord(prefix)
    return f"{prefix}{digits}{_LETTERS[total % len(_LETTERS)]}"


def joined(earlier: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a new round under those of earlier ones; where either has reprints, all rows say what they count for."""
    whole = pd.concat([earlier, new], ignore_index=True)
    if "block" in whole:
        whole["block"] = whole["block"].fillna(whole["round"]).astype(int)
        whole["reprint_of"] = whole["reprint_of"].fillna("")
    return whole


def number(identifier: str) -> int:
    """Return the number in an identifier such as ``P07K``; 0 for an empty one."""
    return int("0" + "".join(sign for sign in identifier if sign.isdigit()))


def checked(study: Study, runs: pd.DataFrame, facts: dict[str, Any], *, require_load_dof: bool = False) -> Design:
    """
    Return the design with what it promises as facts and what it cannot do as verdicts.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        All rounds, as documented for :class:`Design`.
    facts : dict
        What is known already, the ``kind`` among it.
    require_load_dof : bool
        Refuse what else would be a verdict: no load error degree of freedom for the load factors. Prints that are made
        already, or chosen by somebody else, are taken as they are.

    Raises
    ------
    InputRefused
        Where a load error degree of freedom is required, and there is none.
    """
    whole, runs = runs, Design(runs).fitted
    if runs.empty:
        return Design(whole, facts=facts)
    counted = check.strata(study, runs)
    if require_load_dof and study.load_factors and counted.loads and counted.load_dof < 1:
        least = counted.loads - counted.load_dof + 1
        raise InputRefused(
            Problem(
                "plan",
                f"with {counted.loads} drying load(s) no error degree of freedom is left for the load factors",
                f"at least {least} loads are needed, {least + 2} are better",
                "give more with --loads or in [budget] loads",
            )
        )
    judged = quality.quality(study, runs)
    facts = {**facts, **_two_level(study, runs, facts["kind"]), "strata": counted.as_data()}
    if judged is not None:
        facts["quality"] = judged.as_data()
    return Design(whole, findings.verdicts(study, runs, counted, judged, facts), facts)


def _two_level(study: Study, runs: pd.DataFrame, kind: str) -> dict[str, Any]:
    return check.two_level_facts(study, runs) if kind in ("factorial", "fractional", "plackett-burman") else {}


def describe(study: Study, design: Design) -> Design:
    """Return a design read from disk with the facts and verdicts that can be computed from its rows."""
    first = next((number for number in design.rounds if number != PILOT), PILOT)
    kind = str(design.of_round(first)["kind"].iloc[0])
    return checked(study, design.runs, {"kind": kind})
