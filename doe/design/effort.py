"""What a plan costs: prints, loads, hours of oven, printers or testing, filament."""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from doe.study.equipment import MINUTES_PER, drying_factor, whole_minutes
from doe.study.spec import Study

ASSUMED_DRYING_HOURS = 6.0
"""Where neither a factor nor the oven says it: within the 4 to 8 hours of most families (common practice, no source)."""


@dataclass(frozen=True)
class Load:
    """Prints that are made from one filling of the oven, in run order."""

    name: str
    """Empty where the prints need no drying."""
    prints: tuple[str, ...]
    printers: tuple[str, ...]
    """Per print, its printer; empty where the study names none."""
    drying: float
    """Hours at temperature."""

    @property
    def fed(self) -> int:
        """How many printers it feeds."""
        return len(set(self.printers))


@dataclass(frozen=True)
class Effort:
    """What one round of a plan takes, without anything that must be made again."""

    prints: int
    loads: int
    """0 where the plan has no drying loads."""
    oven_hours: float
    """Of all loads: warming up and drying."""
    printer_hours: Mapping[str, float]
    """Per printer, in the study's order; its name is empty where the study names none."""
    tests: int
    """Coupons to be tested, and measurements of whole prints; grades and passes of prints are seen in passing."""
    test_hours: float
    grams: float
    """Filament with its purge."""
    spools: int
    """Full spools to buy; a load takes fresh ones, since one that was dried before would be drier than its plan says."""
    contingency: float
    """Share that is added in :attr:`with_contingency`."""

    @property
    def with_contingency(self) -> "Effort":
        """The same with the study's share for prints that must be made again; what is counted is rounded up."""
        factor = 1 + self.contingency
        return replace(
            self,
            prints=_up(self.prints * factor),
            loads=_up(self.loads * factor),
            oven_hours=self.oven_hours * factor,
            printer_hours={name: hours * factor for name, hours in self.printer_hours.items()},
            tests=_up(self.tests * factor),
            test_hours=self.test_hours * factor,
            grams=self.grams * factor,
            spools=_up(self.spools * factor),
            contingency=0.0,
        )


def effort(study: Study, runs: pd.DataFrame) -> Effort:
    """
    Return what one round of a plan takes.

    Parameters
    ----------
    study : Study
        Its oven and budget say what a print, a test and a load take.
    runs : DataFrame
        The rows of one round, as documented for :class:`doe.design.plan.Design`.

    Returns
    -------
    Effort
        Hours and grams, unrounded.
    """
    budget, loads = study.budget, loads_of(study, runs)
    counts = Counter(printer for load in loads for printer in load.printers)
    named = [printer.name for printer in study.printers]
    dried = [load for load in loads if load.name]
    prints, tests = len(runs), tests_per_print(study) * len(runs)
    return Effort(
        prints=prints,
        loads=len(dried),
        oven_hours=sum(oven_minutes(study, load) for load in dried) / 60,
        printer_hours={
            name: counts[name] * budget.print_minutes / 60 for name in dict.fromkeys((*named, *counts)) if counts[name]
        },
        tests=tests,
        test_hours=tests * budget.coupon_minutes / 60,
        grams=prints * budget.grams_per_print,
        spools=sum(spools_of(study, load) for load in loads),
        contingency=budget.contingency,
    )


def loads_of(study: Study, runs: pd.DataFrame) -> tuple[Load, ...]:
    """Return the loads of one round in plan order, each with its prints in run order; one without a name for no load."""
    factor = drying_factor(study.factors)
    key = None if factor is None else f"set.{factor.name}"
    columns = ["print", "load", "printer", *([] if key is None else [key])]
    groups: dict[str, list[dict[Any, Any]]] = {}
    for row in runs.sort_values("order", kind="stable")[columns].to_dict("records"):
        groups.setdefault(str(row["load"]), []).append(row)
    fixed = study.oven.drying_time or ASSUMED_DRYING_HOURS
    scale = 1.0 if factor is None else MINUTES_PER[str(factor.unit)] / 60
    return tuple(
        Load(
            name,
            tuple(str(row["print"]) for row in rows),
            tuple(str(row["printer"]) for row in rows),
            fixed if key is None else max(0.0, float(rows[0][key])) * scale,
        )
        for name, rows in groups.items()
    )


def oven_minutes(study: Study, load: Load) -> int:
    """Return how long a load is in the oven, in whole minutes: warming up and drying."""
    return whole_minutes(study.oven.warm_up_minutes) + whole_minutes(60 * load.drying)


def tests_per_print(study: Study) -> int:
    """Return how many tests a print asks for: its coupons, response by response, and what is measured on it as a whole."""
    return sum(
        response.coupons if response.per == "coupon" else int(response.kind == "measured")
        for response in study.responses
    )


def spools_of(study: Study, load: Load) -> int:
    """Return how many full spools a load takes: one for each printer that it feeds at once, more where its prints use up more."""
    mass = len(load.prints) * study.budget.grams_per_print
    return max(_up(mass / study.budget.spool_grams), min(study.oven.spools, load.fed) if load.name else load.fed)


def _up(value: float) -> int:
    """Round up, but for the dust of floating-point arithmetic."""
    return math.ceil(value * (1 - 1e-12))
