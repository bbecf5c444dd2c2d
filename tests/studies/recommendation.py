"""
What a recommendation promises, and what is true at its setting; beside it, two usual practices with the same prints.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.recommendation [studies] [seed]``; it writes ``recommendation.csv``
beside it, about half a second a study. Every study has a plan as ``doe plan`` searches for it (four factors with 9 or 11
values each, the last one fixed in the load, a full quadratic), a random truth and a record, and goes through fit and
recommendation as a user's would. The unit is the standard deviation of a print's mean of five coupons within its load;
prints and coupons vary alike.

A truth has one to three responses, each with a quadratic maximum inside the region and a load-to-print variance ratio of
its own: all below 1 in one half of the studies, up to 3 with the largest above 1 in the other. In ``dominant`` studies, which
are counted apart, one response has 3 and the others 0. Half of the studies have cubic terms, with a standard deviation of 0
to 0.25 of that of the quadratic over the region. Responses of a print have a correlation of 0.4 in everything. Requirements
are such that the best setting conforms to 0.85 to 0.99.

True conformance is integrated over the scatter of the setpoints by Gauss and Hermite, with the correlation. The best
attainable one is that of all 9801 settings, of which the program takes only those inside its prints.

*One factor at a time*: as many prints and loads, from the centre; each factor in turn, in random order, at three to five
values; the one whose smallest margin is largest is kept. Claimed is the normal share of the coupons at the value kept last.
*Least squares*: of coupons, loads ignored; of all settings the one with the largest plug-in conformance, which is claimed.
"""

import csv
import itertools
import sys
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
from scipy import optimize, special

from doe.design import check
from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics.conformance import setpoint_nodes
from doe.numerics.terms import model_matrix, standard_terms
from doe.recommend.choose import recommend_settings
from doe.record.match import Record
from doe.record.schema import frame, schema
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.studies.coverage import truths

PLANS = ((30, 6), (40, 8), (24, 4))  # prints, loads
DOMINANT = 6  # a dominant study after every so many others
LEVELS = (0, 0, 0, 0)
QUADRATIC = standard_terms("quadratic", LEVELS)
CUBIC = tuple(itertools.combinations_with_replacement(range(4), 3))
TERMS = (*QUADRATIC, *CUBIC)
INCREMENTS = (0.2, 0.2, 0.25, 0.25)
SETPOINT_SD = np.array([0.10, 0.10, 0.15, 0.05])
COUPONS, CORRELATION = 5, 0.4
PART = 1 / (1 + 1 / COUPONS)  # variance of prints, and of coupons: a mean of five then has 1
LOAD_FACTOR = 3
FILE = Path(__file__).with_suffix(".csv")
LABELS = ("responses", "truth", "load ratios", "stated %")
DIVISIONS = (
    (), ("responses",), ("truth",), ("load ratios",), ("stated %",), ("responses", "truth"), ("responses", "load ratios"),
    ("responses", "truth", "load ratios"),
)  # fmt: skip
OF_DOMINANT = (("load ratios",), ("responses", "load ratios"))
HEADER = [
    "prints", "loads", *LABELS, "studies", "bound held %", "truth at or above estimate %",
    "mean ratio to best", "10 % ratio to best", "median bound", "median estimate", "median truth",
    *(f"{practice}, {figure}" for practice in ("one at a time", "least squares")
      for figure in ("mean ratio to best", "10 % ratio to best", "median claim", "median truth", "truth at or above claim %")),
]  # fmt: skip


@dataclass(frozen=True)
class Kind:
    responses: int
    cubic: bool
    loads: str
    """``below 1``, ``above 1`` or ``dominant``."""


@dataclass(frozen=True)
class Truth:
    """R responses: coefficients (R, 35), load variance (R,), and what is required at least (R,)."""

    coefficients: np.ndarray
    ratios: np.ndarray
    limits: np.ndarray

    @property
    def sd(self):
        """Of a coupon of a new print on a new load, (R,)."""
        return np.sqrt(self.ratios + 2 * PART)


@dataclass(frozen=True)
class Outcome:
    """What one practice claims of its setting, and what is true there."""

    claim: float
    true: float


@dataclass(frozen=True)
class Found:
    """One study: what it was, the best that its truth allows, and the three practices."""

    plan: tuple[int, int]
    kind: Kind
    best: float
    bound: float
    stated: float
    recommended: Outcome
    one_at_a_time: Outcome
    least_squares: Outcome


@cache
def settings():
    """Return every setting, (9801, 4), and its model rows at the nodes of the setpoints' scatter, (8, 9801, 35)."""
    axes = [np.linspace(-1, 1, round(2 / step) + 1) for step in INCREMENTS]
    grid = np.array(list(itertools.product(*axes)))
    return grid, np.stack([model_matrix(grid + node, TERMS, LEVELS) for node in setpoint_nodes(SETPOINT_SD)])


def gauss_hermite(points, directions):
    """Return nodes (m, directions) and weights (m,) of the standard normal distribution."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(points)
    nodes, weights = (
        np.array(list(itertools.product(part, repeat=directions))) for part in (nodes, weights / weights.sum())
    )
    return nodes, weights.prod(axis=1)


SCATTER = gauss_hermite(4, 4)
SHARED = gauss_hermite(11, 2)


def true_conformance(truth, x):
    """
    Return the share of prints at a setpoint (4,) that meet every requirement.

    Responses share what is common to their loads, and what is common to prints and coupons; given these two and the actual
    setting they are independent.
    """
    mean = model_matrix(x + SCATTER[0] * SETPOINT_SD, TERMS, LEVELS) @ truth.coefficients.T
    common = np.sqrt(CORRELATION * np.column_stack([truth.ratios, np.full(len(truth.ratios), 2 * PART)]))
    z = mean[:, None] - truth.limits + SHARED[0] @ common.T
    met = special.ndtr(z / (np.sqrt(1 - CORRELATION) * truth.sd)).prod(axis=2)
    return float(SCATTER[1] @ met @ SHARED[1])


def on_all_settings(coefficients, limits, sd):
    """Return the conformance of every setting, responses independent, (9801,)."""
    rows = settings()[1][..., : coefficients.shape[1]]
    shares = [
        special.ndtr((rows @ own - limit) / each) for own, limit, each in zip(coefficients, limits, sd, strict=True)
    ]
    return np.prod(shares, axis=0).mean(axis=0)


def best_attainable(truth):
    """Return the true conformance of the best setting: the best of the five best without the correlation."""
    shares = on_all_settings(truth.coefficients, truth.limits, truth.sd)
    return max(true_conformance(truth, settings()[0][place]) for place in np.argsort(-shares)[:5])


def ratios_of(kind, generator):
    """Return load variances in units of a print mean's, (R,)."""
    if kind.loads == "dominant":
        return generator.permutation([3.0, *[0.0] * (kind.responses - 1)])
    while True:
        ratios = generator.uniform(0, 1 if kind.loads == "below 1" else 3, kind.responses)
        if kind.loads == "below 1" or ratios.max() >= 1:
            return ratios


def make_truth(kind, generator):
    """Return a truth of which one setting conforms to 0.85 to 0.99, and hardly any better."""
    quadratic = truths(kind.responses, generator)
    grid, rows = settings()
    spread = (model_matrix(grid, QUADRATIC, LEVELS) @ quadratic.T).std(axis=0)
    cubic = (
        generator.normal(size=(kind.responses, len(CUBIC))) * generator.uniform(0, 0.25) * spread[:, None] * kind.cubic
    )
    coefficients, ratios = np.hstack([quadratic, cubic]), ratios_of(kind, generator)
    sd = np.sqrt(ratios + 2 * PART)
    mean = rows.mean(axis=0) @ coefficients.T
    ease = generator.permutation([0.0, *generator.uniform(0, 1.5, kind.responses - 1)])
    chosen = grid[((mean - mean.max(axis=0)) / sd + ease).min(axis=1).argmax()]
    share = generator.uniform(0.85, 0.99)

    def made(shift):
        return Truth(coefficients, ratios, mean.max(axis=0) - sd * (ease + shift))

    return made(optimize.brentq(lambda shift: true_conformance(made(shift), chosen) - share, -5, 20, xtol=1e-6))


def deviations(ratios, load, generator):
    """Return what loads, prints and coupons add, shape (n, 5, R); responses correlated in each."""

    def correlated(*shape):
        common = generator.normal(size=(*shape, 1))
        return np.sqrt(CORRELATION) * common + np.sqrt(1 - CORRELATION) * generator.normal(size=(*shape, len(ratios)))

    n = len(load)
    of_load = np.sqrt(ratios) * correlated(load.max() + 1)[load]
    return (of_load + np.sqrt(PART) * correlated(n))[:, None] + np.sqrt(PART) * correlated(n, COUPONS)


def study_of(limits):
    """Return the study with these requirements."""
    factors = [
        numeric(
            f"factor_{place}", -1, 1, step, unit="1", setpoint_sd=sd, change="load" if place == LOAD_FACTOR else "print"
        )
        for place, (step, sd) in enumerate(zip(INCREMENTS, SETPOINT_SD.tolist(), strict=True))
    ]
    responses = [
        {"name": f"response_{place}", "unit": "1", "coupons": COUPONS, "at_least": float(limit)}
        for place, limit in enumerate(limits)
    ]
    return make_study(factors=factors, responses=responses, printers=[], budget={})


@cache
def planned(prints, loads):
    """Return the plan, its coded settings and its load codes."""
    study = study_of([0.0])
    design = plan_runs(study, PlanRequest(kind="compound", prints=prints, loads=loads, one_round=True, seed=1))
    coded = scale.coded(study, check.settings_of(study, design.runs))
    return design, coded, check.codes(list(design.runs["load"]))


def record_of(study, design, values):
    """Return the record of these coupons, (n, 5, R)."""
    runs = design.runs
    prints = [
        {"print": name, "round": int(number), "load": load, "printer": printer, "outcome": "completed"}
        for name, number, load, printer in zip(runs["print"], runs["round"], runs["load"], runs["printer"], strict=True)
    ]
    names = [response.name for response in study.responses]
    coupons = [
        {"coupon": f"{name}-{place + 1}", "print": name, "number": place + 1, "outcome": "completed"}
        | dict(zip(names, row, strict=True))
        for name, of_print in zip(runs["print"], values.tolist(), strict=True)
        for place, row in enumerate(of_print)
    ]
    rows = {"prints": prints, "coupons": coupons}
    return Record(**{name: frame(columns, rows.get(name, [])) for name, columns in schema(study).items()})


def recommended(truth, plan, values):
    """Return what is promised and true after plan, fit and recommendation, the bound, and the level stated for it."""
    design = planned(*plan)[0]
    study = study_of(truth.limits)
    fit, fitted = fit_model(study, design, record_of(study, design, values), FitRequest(examine=False))
    advice = recommend_settings(study, design, fit, fitted, 1)
    x = scale.coded(study, {one.factor: [one.value] for one in advice.settings})[0]
    promised = advice.conformance
    return Outcome(promised.estimate, true_conformance(truth, x)), promised.lower, promised.level


def least_squares(truth, plan, values):
    """Return what least squares of coupons claims of the setting that it likes best, and what is true."""
    X = model_matrix(planned(*plan)[1], QUADRATIC, LEVELS)
    estimates = np.linalg.lstsq(X, values.mean(axis=1), rcond=None)[0]
    left = values - (X @ estimates)[:, None]
    sd = np.sqrt((left**2).sum(axis=(0, 1)) / (values.shape[0] * COUPONS - X.shape[1]))
    shares = on_all_settings(estimates.T, truth.limits, sd)
    return Outcome(float(shares.max()), true_conformance(truth, settings()[0][shares.argmax()]))


def phases(prints, loads, generator):
    """
    Return, factor after factor in random order, the factor, the values that are tried, and the load of each print.

    An odd half of the loads is for the values of the factor that is fixed in them; the others are filled one after another.
    """
    own = loads // 2 | 1
    share = len(np.array_split(np.arange(prints), 4)[-1])
    filled = iter(np.array_split(np.sort(np.arange(prints - share) % (loads - own)), 3))
    tried = []
    for factor in generator.permutation(4):
        load = np.arange(share) % own + loads - own if factor == LOAD_FACTOR else next(filled)
        values = np.linspace(-1, 1, own if factor == LOAD_FACTOR else 5)
        values = np.round(values / INCREMENTS[factor]) * INCREMENTS[factor]
        tried.append((factor, values[np.arange(len(load)) % len(values)], load))
    return tried


def one_at_a_time(truth, plan, generator):
    """Return what is claimed of the setting that changing one factor at a time arrives at, and what is true."""
    tried = phases(*plan, generator)
    scatter = iter(deviations(truth.ratios, np.concatenate([load for *_, load in tried]), generator))
    x = np.zeros(4)
    for factor, values, _ in tried:
        rows = np.tile(x, (len(values), 1))
        rows[:, factor] = values
        mean = model_matrix(rows, TERMS, LEVELS) @ truth.coefficients.T - truth.limits
        margins = mean[:, None] + np.array([next(scatter) for _ in values])
        smallest = {value: margins[values == value].mean(axis=(0, 1)).min() for value in values}
        x[factor] = max(smallest, key=smallest.__getitem__)
    kept = margins[values == x[factor]].reshape(-1, len(truth.limits))
    claim = special.ndtr(kept.mean(axis=0) / kept.std(axis=0, ddof=1)).prod()
    return Outcome(float(claim), true_conformance(truth, x))


def one_study(plan, kind, seed):
    """Return what one study found."""
    generator = np.random.default_rng(seed)
    truth = make_truth(kind, generator)
    _, coded, load = planned(*plan)
    mean = model_matrix(coded, TERMS, LEVELS) @ truth.coefficients.T
    values = mean[:, None] + deviations(truth.ratios, load, generator)
    ours, bound, stated = recommended(truth, plan, values)
    return Found(
        plan, kind, best_attainable(truth), bound, stated, ours,
        one_at_a_time(truth, plan, generator), least_squares(truth, plan, values),
    )  # fmt: skip


def kinds(studies):
    """Yield the kind of each study: responses, truth and load ratios in equal parts, and then the dominant ones."""
    for number in range(studies):
        yield Kind(number % 3 + 1, number // 3 % 2 == 1, ("below 1", "above 1")[number // 6 % 2])
    for number in range(studies // DOMINANT):
        yield Kind(number % 3 + 1, number // 3 % 2 == 1, "dominant")


def labels(one):
    """Return what ``LABELS`` names, of one study."""
    truth = "cubic" if one.kind.cubic else "quadratic"
    return (one.kind.responses, truth, one.kind.loads, round(100 * one.stated))


def cells(found):
    """Yield the labels of each cell with its studies, ``any`` for a label that does not divide them."""
    for dominant, divisions in ((False, DIVISIONS), (True, OF_DOMINANT)):
        group = [one for one in found if (one.kind.loads == "dominant") == dominant]
        for shown in divisions:
            parts = {}
            for one in group:
                key = tuple(label if name in shown else "any" for name, label in zip(LABELS, labels(one), strict=True))
                parts.setdefault(key, []).append(one)
            yield from sorted(parts.items(), key=lambda item: str(item[0]))


def share_of(part):
    return f"{100 * np.mean(part):.1f}"


def line(plan, key, found):
    """Return one line of the table."""
    best = np.array([one.best for one in found])
    bound = np.array([one.bound for one in found])
    figures = []
    for practice in ("recommended", "one_at_a_time", "least_squares"):
        claim, true = np.array([(getattr(one, practice).claim, getattr(one, practice).true) for one in found]).T
        ratio = [f"{np.mean(true / best):.3f}", f"{np.quantile(true / best, 0.1):.3f}"]
        medians = [f"{np.median(claim):.3f}", f"{np.median(true):.3f}"]
        if practice == "recommended":
            figures += [share_of(true >= bound), share_of(true >= claim), *ratio, f"{np.median(bound):.3f}", *medians]
        else:
            figures += [*ratio, *medians, share_of(true >= claim)]
    return [*plan, *key, len(found), *figures]


def write(found, command):
    """Write the table."""
    with FILE.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {command}, {date.today().isoformat()}\n")
        file.write(
            "# Monte Carlo standard error of 95 %: 1.0 with 500 studies, 2.2 with 100, 3.4 with 42; of 50 %: 2.2, 5.0, 7.7\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADER)
        for plan in PLANS:
            of_plan = [one for one in found if one.plan == plan]
            writer.writerows(line(plan, key, part) for key, part in cells(of_plan))


def main(studies=504, seed=1):
    """Write the table."""
    found = [
        one_study(plan, kind, [seed, prints_loads, number])
        for number, kind in enumerate(kinds(studies))
        for prints_loads, plan in enumerate(PLANS)
    ]
    write(found, f"python -m tests.studies.recommendation {studies} {seed}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
