"""The plan: from a study to the prints that will be made, with their loads, printers and order."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, order, points, setpoints
from doe.design.points import PlanRequest
from doe.errors import InputRefused, Problem
from doe.study.spec import Study
from doe.verdicts import Verdict


@dataclass(frozen=True)
class Design:
    """
    Every planned print of a study, all rounds, in run order.

    Parameters
    ----------
    runs : DataFrame, one row a print
        ``round`` (1, 2, ...), ``order`` (1 .. prints of the round), ``print`` (identifier), ``load`` (identifier, or empty
        where the study has no loads), ``printer`` (name, or empty where the study names none), ``point`` (corner, centre,
        axial, edge, adopted), ``cell`` (number of the setting in the plan: equal numbers are replicates), ``kind`` (family
        of the design), ``seed``; then for each factor ``target.NAME`` (actual value wanted, natural units, or a level)
        and ``set.NAME`` (this printer's setpoint).
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
    def rounds(self) -> list[int]:
        """The round numbers, ascending."""
        return sorted({int(number) for number in self.runs["round"]})


def plan_runs(study: Study, request: PlanRequest) -> Design:
    """
    Make the first round's plan.

    Parameters
    ----------
    study : Study
    request : PlanRequest

    Returns
    -------
    Design
        With its facts and verdicts.

    Raises
    ------
    InputRefused
        Where the family does not fit the factors, the declared model cannot be estimated, a print would break a limit or
        a constraint, or the loads leave no error degree of freedom for the load factors.
    """
    made = points.make(study, request)
    targets, rounding = setpoints.on_increments(study, made.coded)
    setpoints.require_allowed(study, targets, made.kinds)
    check.require_estimable(study, targets, made.kind)
    load, printer, sequence = order.arrange(
        study, targets, order.load_count(study, targets, request.loads), request.seed
    )
    runs = assemble(
        study,
        targets.iloc[sequence].reset_index(drop=True),
        load[sequence],
        printer[sequence],
        [made.kinds[index] for index in sequence],
        Provenance(made.kind, request.seed),
    )
    facts = {
        "kind": made.kind,
        **made.facts,
        "rounding": rounding,
        "rounding_efficiency": check.rounding_efficiency(study, made.coded, targets),
    }
    return checked(study, runs, facts, adopted=False)


@dataclass(frozen=True)
class Provenance:
    """Where the rows of a round come from."""

    kind: str
    seed: int
    round: int = 1
    first_print: int = 1
    first_load: int = 1


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


def checked(study: Study, runs: pd.DataFrame, facts: dict[str, Any], *, adopted: bool) -> Design:
    """Return the design with its degrees of freedom as facts and what it cannot do as verdicts."""
    strata = check.strata(study, runs)
    verdicts = check.verdicts(study, runs, strata, facts)
    if not adopted and strata.loads and strata.load_dof < 1:
        least = strata.loads - strata.load_dof + 1
        raise InputRefused(
            Problem(
                "plan",
                f"{strata.loads} drying loads leave no error degree of freedom for the load factors",
                f"at least {least} loads are needed, {least + 2} are better",
                "give more with --loads or in [budget] loads",
            )
        )
    return Design(runs=runs, verdicts=verdicts, facts={**facts, "strata": strata.as_data()})


def describe(study: Study, design: Design) -> Design:
    """Return a design read from disk with the facts and verdicts that can be computed from its rows."""
    first = design.of_round(1)
    kind = str(first["kind"].iloc[0])
    facts: dict[str, Any] = {"kind": kind}
    if kind in ("factorial", "fractional"):
        facts |= check.two_level_facts(study, first)
    return checked(study, design.runs, facts, adopted=True)
