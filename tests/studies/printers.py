"""
What printers that are read with errors do to cards, to verdicts on printers, to bounds and to windows.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.printers [studies] [seed]``; it writes ``printers.csv`` beside it. The
studies are those of verdicts, a fifth of a second a fit; a quarter as many are recommendations, two seconds each. Plans and
truths are those of ``recommendation`` with quadratic truths and load variances of 0 to 1; the unit is the standard deviation of
a print's mean of five coupons within its load. The first factor is a nozzle temperature of 255 to 285 degC that three printers
are set to in whole degrees. Printer A reads 6 degC high at 270, B reads true, C is off by a normal error of 3 degC; slopes are
even on 1 +- 0.02, levels of printers have a standard deviation of 0.5.

Every printer is read once at three or five setpoints from 250 to 295 with the same thermocouple. Its error is even on +- 1.5 degC
and the readout's on +- 1 degC, both the same for all readings; the contact is even on +- 2.5 or +- 5 degC, the same for all
readings of a printer; single readings scatter by 0.5 degC, which the study does not state. All else is stated as it is.
Setpoints of the prints come from these readings, as do the actual values that the fit is given; the response follows what
was really reached.

*Verdicts*: the effect of the temperature from its low to its high end is larger on B, by so many units, than on A and C. The same
studies have all differences. 0 is an additive truth; ``exact`` means readings without any error. *Recommendations*: one to three
responses; the study asks for a conformance of 0.6, low enough for windows to be shown. True shares are those at the actual
values that the cards' setpoints really reach. ``window`` figures are of windows that were shown: 20 settings drawn from each,
and for the whole window its corners as well.
"""

import csv
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np

from doe.design import calibrated, check, setpoints
from doe.design.plan import Design, plan_runs
from doe.design.request import PlanRequest
from doe.model import printers as printer_effects
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics import calibration
from doe.numerics.terms import model_matrix
from doe.recommend.choose import recommend_settings
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.studies.recommendation import (
    COUPONS,
    INCREMENTS,
    LEVELS,
    LOAD_FACTOR,
    SETPOINT_SD,
    TERMS,
    Kind,
    Truth,
    deviations,
    make_truth,
    record_of,
    true_conformance,
)  # fmt: skip

PLANS = ((30, 6), (40, 8))
NAMES = ("A", "B", "C")
CENTRE, HALF_RANGE = 270.0, 15.0
CHECKS, CONTACTS = (3, 5), (2.5, 5.0)
PROBE, READOUT, SCATTER = 1.5, 1.0, 0.5
DIFFERENCES = (0, 1, 2, 3, 4, 6, 8)
REQUIRED = 0.6
NEAR = 0.02
DRAWN = 20
LEVEL_SD = 0.5
FACTOR = "factor_0"
FILE = Path(__file__).with_suffix(".csv")
HEADER = ["prints", "loads", "checks", "contact", "difference", "figure", "studies", "value", "standard error"]


@dataclass(frozen=True)
class Reading:
    """How printers are read: setpoints a printer, and half-width of the contact, degC; ``exact`` without any error."""

    checks: int
    contact: float
    exact: bool = False


@dataclass(frozen=True)
class Shop:
    """What three printers really do, and what was read."""

    intercepts: np.ndarray
    slopes: np.ndarray
    readings: np.ndarray
    at: np.ndarray

    def coded(self, printer: int, setpoint: np.ndarray) -> np.ndarray:
        """Return what is really reached, coded."""
        return (self.intercepts[printer] + self.slopes[printer] * setpoint - CENTRE) / HALF_RANGE


def make_shop(reading: Reading, generator: np.random.Generator) -> Shop:
    """Return printers with lines of their own and the readings of them."""
    slopes = generator.uniform(0.98, 1.02, 3)
    intercepts = CENTRE + np.array([-6.0, 0.0, generator.normal(0, 3)]) - slopes * CENTRE
    at = np.linspace(250, 295, reading.checks)
    common = generator.uniform(-PROBE, PROBE) + generator.uniform(-READOUT, READOUT)
    own = generator.uniform(-reading.contact, reading.contact, (3, 1))
    errors = common + own + generator.normal(0, SCATTER, (3, len(at)))
    actual = intercepts[:, None] + slopes[:, None] * at
    return Shop(intercepts, slopes, actual + (0.0 if reading.exact else errors), at)


def study_of(limits: np.ndarray, reading: Reading, shop: Shop | None = None):
    """Return the study, with the printers' checks where they were read."""
    temperature = numeric(
        FACTOR, CENTRE - HALF_RANGE, CENTRE + HALF_RANGE, 1, setpoint_sd=HALF_RANGE * float(SETPOINT_SD[0])
    )
    others = [
        numeric(f"factor_{place}", -1, 1, INCREMENTS[place], unit="1", setpoint_sd=float(SETPOINT_SD[place]),
                change="load" if place == LOAD_FACTOR else "print")
        for place in (1, 2, 3)
    ]  # fmt: skip
    responses = [
        {"name": f"response_{place}", "unit": "1", "coupons": COUPONS, "at_least": float(limit)}
        for place, limit in enumerate(limits)
    ]
    return make_study(
        study={"id": "s", "title": "t", "material": "simulated", "family": "PA-CF", "conformance": REQUIRED},
        factors=[temperature, *others], responses=responses, printers=[_printer(*one, reading, shop) for one in enumerate(NAMES)],
        instruments=[{"id": "TC-1", "kind": "thermocouple, type K class 1", "readout": READOUT}], budget={},
    )  # fmt: skip


def _printer(place: int, name: str, reading: Reading, shop: Shop | None):
    if shop is None:
        return {"name": name}
    read = {"set": shop.at.tolist(), "actual": shop.readings[place].tolist()}
    return {"name": name, "checks": [{"factor": FACTOR, "instrument": "TC-1", "contact": reading.contact, **read}]}


@cache
def planned(prints: int, loads: int) -> tuple[Design, np.ndarray]:
    """Return the plan of a study without checks, and its load codes."""
    study = study_of(np.zeros(1), Reading(3, 2.5))
    design = plan_runs(study, PlanRequest(kind="compound", prints=prints, loads=loads, one_round=True, seed=1))
    return design, check.codes(list(design.runs["load"]))


def with_setpoints(study, design: Design) -> Design:
    """Return the plan with the setpoints that the study's checks give; all else of it does not depend on them."""
    runs, factor = design.runs.copy(), study.factors[0]
    runs[f"set.{FACTOR}"] = setpoints.of_printers(study, factor, runs[f"target.{FACTOR}"], list(runs["printer"]))
    return replace(design, runs=runs)


@dataclass(frozen=True)
class Case:
    """One study: what is true, what was read, and the plan with its setpoints."""

    truth: Truth
    levels: np.ndarray
    shop: Shop
    study: object
    design: Design
    scatter: np.ndarray
    load: np.ndarray

    @property
    def printer(self) -> np.ndarray:
        return np.array([NAMES.index(name) for name in self.design.runs["printer"]])

    def actual(self) -> np.ndarray:
        """Return the actual settings of the prints, coded, (n, 4)."""
        coded = scale.coded(self.study, check.settings_of(self.study, self.design.runs))
        at = self.design.runs[f"set.{FACTOR}"].to_numpy(dtype=float)
        for place in range(3):
            mine = self.printer == place
            coded[mine, 0] = self.shop.coded(place, at[mine])
        return coded

    def record(self, difference: float = 0.0):
        """Return the record, where the temperature does more on B."""
        coded = self.actual()
        mean = model_matrix(coded, TERMS, LEVELS) @ self.truth.coefficients.T + self.levels[self.printer]
        mean += (difference / 2 * coded[:, 0] * (self.printer == 1))[:, None]
        return record_of(self.study, self.design, mean[:, None] + self.scatter)

    def shares(self, set_to: np.ndarray, others: np.ndarray) -> np.ndarray:
        """Return the true share on each printer, set to these temperatures (3,), the other factors coded (3,)."""
        found = []
        for place in range(3):
            truth = replace(self.truth, limits=self.truth.limits - self.levels[place])
            found.append(true_conformance(truth, np.array([self.shop.coded(place, set_to[place]), *others])))
        return np.array(found)


def make_case(plan: tuple[int, int], reading: Reading, responses: int, generator: np.random.Generator) -> Case:
    """Return a random study."""
    truth = make_truth(Kind(responses, False, "below 1"), generator)
    shop = make_shop(reading, generator)
    levels = generator.normal(0, LEVEL_SD, (3, responses))
    base, load = planned(*plan)
    study = study_of(truth.limits, reading, shop)
    scatter = deviations(truth.ratios, load, generator)
    return Case(truth, levels - levels.mean(axis=0), shop, study, with_setpoints(study, base), scatter, load)


# Verdicts


def verdicts_of(case: Case, difference: float) -> set[str]:
    """Return the factors that are said to act differently on the printers."""
    (one,) = fit_model(case.study, case.design, case.record(difference), FitRequest(examine=False))[1]
    said = printer_effects.verdicts(printer_effects.printer_effects(one.measured, one.random))
    return {verdict.cause.partition(" ")[0] for verdict in said}


def one_of_verdicts(plan, reading, seed) -> dict[int, tuple[float, float]]:
    """Return, per difference, whether the temperature was named, and whether another factor was."""
    case = make_case(plan, reading, 1, np.random.default_rng(seed))
    wanted = (0,) if reading != DETECTED else DIFFERENCES
    found = {size: verdicts_of(case, size) for size in wanted}
    return {size: (float(FACTOR in names), float(bool(names - {FACTOR}))) for size, names in found.items()}


DETECTED = Reading(3, 2.5)
READINGS = (Reading(3, 2.5, exact=True), *(Reading(*one) for one in product(CHECKS, CONTACTS)))


# Recommendations


def one_of_recommendations(plan, reading, responses, seed) -> dict[str, list[float]]:
    """Return the figures of one study; a figure may have several values, or none."""
    generator = np.random.default_rng(seed)
    case = make_case(plan, reading, responses, generator)
    record = case.record()
    fit, fitted = fit_model(case.study, case.design, record, FitRequest(examine=False))
    advice = recommend_settings(case.study, case.design, fit, fitted, 1)
    found = {**of_cards(case, advice), **of_conformance(case, advice), **of_near_optimal(case, advice)}
    return {**found, **of_window(case, advice, generator)}


def of_cards(case: Case, advice) -> dict[str, list[float]]:
    """Return whether what cards state of single printers, and of the difference of A and B, holds."""
    rows = [row for row in advice.printers if row["setpoints"][FACTOR] is not None]
    inside = []
    for row in rows:
        true = CENTRE + HALF_RANGE * case.shop.coded(NAMES.index(row["printer"]), row["setpoints"][FACTOR])
        inside.append(float(abs(true - row["reaches"][FACTOR]) <= row["expanded"][FACTOR]))
    two = [row for row in rows if row["printer"] in "AB"]
    found = {"card: actual value within its expanded uncertainty": inside, "card: setpoint given": [len(rows) / 3]}
    if len(two) == 2:
        lines, wanted = calibrated.lines_of(case.study), next(one.value for one in advice.settings if one.factor == FACTOR)
        given = [float(calibration.to_set(lines[name, FACTOR].line, wanted)) for name in "AB"]
        true = [(wanted - case.shop.intercepts[place]) / case.shop.slopes[place] for place in (0, 1)]
        halves = [row["set_expanded"][FACTOR] for row in two]
        away = abs(given[0] - given[1] - (true[0] - true[1]))
        found["card: A less B within both expanded uncertainties (root of squares)"] = [float(away <= np.hypot(*halves))]
        found["card: A less B within one expanded uncertainty"] = [float(away <= max(halves))]
    return found


def set_to(case: Case, wanted: float) -> np.ndarray:
    """Return the setpoints of the three printers for an actual temperature, as a card gives them."""
    lines, factor = calibrated.lines_of(case.study), case.study.factors[0]
    return np.array(
        [setpoints.on_grid(factor, calibration.to_set(lines[name, FACTOR].line, [wanted]))[0] for name in NAMES]
    )


def true_shares(case: Case, values: dict[str, float]) -> np.ndarray:
    """Return the true share on each printer where all are set by their cards to a setting."""
    others = np.array([values[f"factor_{place}"] for place in (1, 2, 3)])
    return case.shares(set_to(case, values[FACTOR]), others)


def of_conformance(case: Case, advice) -> dict[str, list[float]]:
    """Return whether bound and estimates hold at the recommended setting."""
    values = {one.factor: one.value for one in advice.settings}
    true, said = true_shares(case, values), advice.conformance
    common = np.full(3, advice.fleet["setpoints"][FACTOR])
    of_common = case.shares(common, np.array([values[f"factor_{place}"] for place in (1, 2, 3)]))
    own, held = np.array([said.by_printer[name] for name in NAMES]), float(true.mean() >= said.lower)
    shared = np.array([said.common_setpoint[name] for name in NAMES])
    return {
        "bound held, mean of the printers": [held],
        f"bound held, mean of the printers, {len(case.truth.limits)} responses": [held],
        f"bound held, mean of the printers, stated for {100 * said.level:.0f} %": [held],
        "bound held by a printer": [float(one >= said.lower) for one in true],
        "bound": [said.lower], "true share, mean of the printers": [true.mean()],
        "true share at or above estimate, mean of the printers": [float(true.mean() >= said.estimate)],
        "printer: estimate less truth": list(own - true), "printer: absolute error": list(abs(own - true)),
        "one setpoint: estimate less truth": list(shared - of_common),
        "one setpoint: absolute error": list(abs(shared - of_common)),
        "one setpoint: truth": list(of_common),
        "gain of own setpoints: estimate less truth": list(own - shared - (true - of_common)),
        "gain of own setpoints: absolute error": list(abs(own - shared - (true - of_common))),
        "gain of own setpoints: truth": list(true - of_common),
    }  # fmt: skip


def of_near_optimal(case: Case, advice) -> dict[str, list[float]]:
    """Return the true loss at the ends of the near-optimal settings."""
    values = {one.factor: one.value for one in advice.settings}
    here = true_shares(case, values).mean()
    ends = {one.factor: [end for end in one.interval if end != one.value] for one in advice.settings}
    lost = {name: [here - true_shares(case, {**values, name: end}).mean() for end in own] for name, own in ends.items()}
    every = [loss for own in lost.values() for loss in own]
    return {
        "near-optimal end loses 0.02 or less": [float(loss <= NEAR) for loss in every],
        "near-optimal end of the temperature loses 0.02 or less": [float(loss <= NEAR) for loss in lost[FACTOR]],
        "near-optimal end: loss": every,
    }


def of_window(case: Case, advice, generator: np.random.Generator) -> dict[str, list[float]]:
    """Return whether a window was shown, and whether what it says is true of settings in it."""
    reaches = advice.window.reaches
    found = {"window: shown": [float(bool(reaches))], "window: setting holds what is asked": [], "window: whole window holds": []}
    if not reaches:
        return found
    steps = {factor.name: factor.increment for factor in case.study.factors}
    axes = {
        one.factor: one.low + steps[one.factor] * np.arange(round((one.high - one.low) / steps[one.factor]) + 1)
        for one in reaches
    }
    corners = product(*((own[0], own[-1]) for own in axes.values()))
    inner = [[generator.choice(own) for own in axes.values()] for _ in range(DRAWN)]

    def held(setting) -> bool:
        return bool(true_shares(case, dict(zip(axes, setting, strict=True))).mean() >= REQUIRED)

    drawn = [held(setting) for setting in inner]
    found["window: setting holds what is asked"] = [float(np.mean(drawn))]
    found["window: whole window holds"] = [float(all(drawn) and all(held(setting) for setting in corners))]
    return found


# The table


def tasks(studies: int, seed: int) -> Iterator[tuple]:
    """Yield what is to be run: function, cell and arguments."""
    for plan, reading in product(PLANS, READINGS):
        for number in range(studies):
            yield one_of_verdicts, (plan, reading), (plan, reading, [seed, plan[0], reading.checks, number])
    for plan, reading in product(PLANS, READINGS[1:]):
        for number in range(studies // 4):
            key = [seed, 1, plan[0], reading.checks, int(reading.contact * 2), number]
            yield one_of_recommendations, (plan, reading), (plan, reading, number % 3 + 1, key)


def run(task) -> tuple:
    """Return a task's cell and its figures: of each a difference, a name, and the values of this study."""
    function, cell, given = task
    found = function(*given)
    if function is one_of_recommendations:
        return cell, [("", name, values) for name, values in found.items()]
    labels = ("printer x temperature named", "printer x another factor named")
    named = [(size, label, [value]) for size, pair in found.items() for label, value in zip(labels, pair, strict=True)]
    named += [(size, "printer x any factor named", [max(pair)]) for size, pair in found.items()]
    return cell, named


def lines(results) -> list[list]:
    """Return the lines of the table: per cell and figure the mean over studies, and its standard error by studies."""
    of_cell: dict[tuple, list[float]] = {}
    for (plan, reading), figures in results:
        contact = "exact" if reading.exact else f"{reading.contact:g}"
        for difference, name, values in figures:
            cells = [(reading.checks, contact), *([("any", "any")] if difference == "" else [])]
            for cell in cells if values else ():
                of_cell.setdefault((*plan, *cell, difference, name), []).append(float(np.mean(values)))
    made = []
    for key, values in of_cell.items():
        error = np.std(values, ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
        made.append([*key, len(values), f"{np.mean(values):.4f}", f"{error:.4f}"])
    return made


def write(results, command: str) -> None:
    """Write the table."""
    with FILE.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {command}, {date.today().isoformat()}\n")
        file.write("# value: mean over studies of a share or a difference of shares; a standard error of 0 stands for no event\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(lines(results))


def main(studies: int = 200, seed: int = 1) -> None:
    """Write the table."""
    for plan in PLANS:
        planned(*plan)
    with ProcessPoolExecutor(2) as executor:
        write(list(executor.map(run, tasks(studies, seed), chunksize=4)), f"python -m tests.studies.printers {studies} {seed}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
