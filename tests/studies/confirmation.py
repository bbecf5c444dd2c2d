"""
How often a confirmation calls an unchanged material changed, and how often it catches a drop.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.confirmation [studies] [seed]``; it writes ``confirmation.csv`` beside
it. Plans and truths are those of ``coverage``: full quadratic in four factors, one of them fixed in the load; the setting is the
one of a grid whose estimated mean is greatest. Confirmation prints are one on each new load. A drop is two or three standard
deviations of a new print on a new load, all components. With 4 and 5 loads intervals come from the posterior, one study
after another and for fewer of them: the column ``studies`` says how many. ``no effects`` is the hardest case for a chosen
setting: no factor does anything, and the best prediction is nothing but luck.
"""

import csv
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from itertools import product
from pathlib import Path

import numpy as np
from scipy import stats

from doe.numerics.batched import fit_batch, share_plan
from doe.numerics.confirming import NewPrints, chance_to_catch, choice_factor, mean_ahead, prospect
from doe.numerics.mixture import mixture
from doe.numerics.precision import precision
from doe.numerics.reml import fit_reml
from tests.studies.coverage import GRID, PRINTS, planned, truths

LOADS = (4, 5, 6, 8)
RATIOS = (0.0, 0.5, 1.0, 3.0)
NEW = (3, 4, 6, 8, 10, 12)
DROPS = (2.0, 3.0)
LEVEL = 0.95
ONE_BY_ONE = 20  # of so many studies one, where intervals come from the posterior
STATED = 50  # studies for which the stated chance is computed
FILE = Path(__file__).with_suffix(".csv")
HEADER = [
    "loads", "prints", "ratio", "truth", "new loads", "allowance for the choice", "studies", "not confirmed %",
    "better than predicted %", "some print outside, mean inside %", "caught, drop of 2 sd %", "caught, drop of 3 sd %",
    "stated chance, 2 sd %", "stated chance, 3 sd %",
]  # fmt: skip


@dataclass(frozen=True)
class Studies:
    """R studies of one plan, each with its chosen row, and what is true there."""

    X: np.ndarray
    load: np.ndarray
    y: np.ndarray
    truth: np.ndarray
    ratio: float

    @property
    def sd(self):
        """Of a new print on a new load."""
        return np.sqrt(1 + self.ratio)


@dataclass(frozen=True)
class Limits:
    """Of R studies: limits of the mean (R, 2) and of each print (R, 2), and what is true at the chosen setting (R,)."""

    mean: np.ndarray
    each: np.ndarray
    true: np.ndarray


def simulate(plan, ratio, effects, studies, generator):
    """Return studies of one plan."""
    X, load = plan
    truth = truths(studies, generator) * effects
    y = truth @ X.T + np.sqrt(ratio) * generator.normal(size=(studies, load.max() + 1))[:, load]
    return Studies(X, load, y + generator.normal(size=y.shape), truth, ratio)


def satterthwaite(plan, ratios, rows, prints):
    """Degrees of freedom of the mean of new prints on as many loads, one row and ratio a study, as ``reml.prediction``."""
    g = ratios[:, None]
    h = 1 / (1 + g * plan.sizes)
    loads, shared = np.sum((plan.sizes * h) ** 2, axis=1) / 2, np.sum(plan.sizes * h**2, axis=1) / 2
    within = (np.sum(h**2, axis=1) + plan.unmoved.shape[1]) / 2
    shown, hidden = (rows @ plan.shown) ** 2, np.sum((rows @ plan.hidden) ** 2, axis=1)
    alone = np.sum(rows @ plan.unscaled * rows, axis=1)
    total = alone + ratios * hidden + np.sum(g * h * shown, axis=1) + (1 + ratios) / prints
    by_load = 1 / prints + hidden + np.sum(h**2 * shown, axis=1)
    by_print = 1 / prints + alone + np.sum(g**2 * plan.sizes * h**2 * shown, axis=1)
    spread = by_load**2 * within - 2 * by_load * by_print * shared + by_print**2 * loads
    return 2 * total**2 * (loads * within - shared**2) / spread


def batch(studies):
    """Fit all studies at once; return fit, chosen rows and their adjusted variances (units of the residual variance)."""
    plan = share_plan(studies.X, studies.load)
    fit = fit_batch(plan, studies.y)
    places, place = np.unique((fit.estimates @ GRID.T).argmax(axis=1), return_inverse=True)
    found = precision(plan, fit.ratios, GRID[places]).adjusted
    return fit, GRID[places][place], np.take_along_axis(found, place[:, None], axis=1)[:, 0]


def many_limits(studies, fitted, new, allowance):
    """Limits after Kenward and Roger of all studies, as ``confirming.mean_ahead`` has them."""
    fit, rows, own = fitted
    estimates = np.sum(rows * fit.estimates, axis=1)
    limits = []
    for prints, level in ((new, LEVEL), (1, 1 - (1 - LEVEL) / new)):
        dof = satterthwaite(fit.plan, fit.ratios, rows, prints)
        factor = choice_factor(rows.shape[1], level) if allowance else 1.0
        variance = fit.residual_variances * (factor * own + (1 + fit.ratios) / prints)
        reach = stats.t.isf((1 - level) / 2, dof) * np.sqrt(variance)
        limits.append(np.column_stack([estimates - reach, estimates + reach]))
    return Limits(*limits, np.sum(rows * studies.truth, axis=1))


def few_limits(studies, known, new, allowance):
    """Limits of each study from what its fit says of its chosen setting."""
    prints = NewPrints((0,) * new, (1,) * new)
    means = [mean_ahead(one, prints, LEVEL, chosen=allowance) for one in known.says]
    each_level = 1 - (1 - LEVEL) / new  # one printer: all prints have the same interval, that of ``each_ahead``
    singles = [mean_ahead(one, NewPrints((0,), (1,)), each_level, chosen=allowance) for one in known.says]
    mean, each = (np.array([[ahead.low, ahead.high] for ahead in part]) for part in (means, singles))
    return Limits(mean, each, np.sum(known.rows * studies.truth[: len(known.rows)], axis=1))


@dataclass(frozen=True)
class Known:
    """Of each study its chosen row and what its fit says there."""

    rows: np.ndarray
    says: list


def one_by_one(studies):
    """Fit each study by itself."""
    rows, says = [], []
    for y in studies.y:
        fit = fit_reml(y, studies.X, [studies.load])
        posterior = mixture(y, studies.X, [studies.load], 2.0) if studies.load.max() + 1 <= 5 else None
        rows.append(GRID[(GRID @ fit.estimates).argmax()])
        says.append(prospect(fit, rows[-1], of_coupons=False, posterior=posterior))
    return Known(np.array(rows), says)


def stated(known, new, sd):
    """Return the median chances, of up to 50 studies, that their confirmations were said to have."""
    prints = NewPrints((0,) * new, (1,) * new)
    chances = [[chance_to_catch(one, prints, LEVEL, drop * sd) for drop in DROPS] for one in known.says[:STATED]]
    return np.median(chances, axis=0)


def shares(limits, new, sd, generator):
    """Return shares of studies: what the judgement says where nothing, or the mean, has changed."""
    prints = limits.true[:, None] + sd * generator.normal(size=(len(limits.true), new))
    mean = prints.mean(axis=1)
    below, above = mean < limits.mean[:, 0], mean > limits.mean[:, 1]
    outside = ((prints < limits.each[:, :1]) | (prints > limits.each[:, 1:])).any(axis=1)
    caught = [np.mean(mean - drop * sd < limits.mean[:, 0]) for drop in DROPS]
    return [below.mean(), above.mean(), (outside & ~below & ~above).mean(), *caught]


def one_cell(plan, cell, studies, seed):
    """Return the lines of one plan, ratio and truth."""
    loads, ratio, truth = cell
    generator = np.random.default_rng(seed)
    few = loads <= 5
    results = simulate(plan, ratio, float(truth == "quadratic"), studies // ONE_BY_ONE if few else studies, generator)
    known = one_by_one(results if few else replace(results, y=results.y[:STATED]))
    fitted = None if few else batch(results)
    lines = []
    for new in NEW:
        said = stated(known, new, results.sd)
        for allowance in (True, False):
            made, found = (few_limits, known) if fitted is None else (many_limits, fitted)
            limits = made(results, found, new, allowance)
            head = [loads, PRINTS[loads], ratio, truth, new, "yes" if allowance else "no", len(results.y)]
            figures = [*shares(limits, new, results.sd, generator), *(said if allowance else [])]
            lines.append([*head, *(f"{100 * share:.1f}" for share in figures)])
    return lines


def main(studies=4000, seed=1):
    """Write the table."""
    plans = {loads: planned(loads) for loads in LOADS}
    cells = list(product(LOADS, RATIOS, ("quadratic", "no effects")))
    with ProcessPoolExecutor(2) as executor:
        tasks = [executor.submit(one_cell, plans[cell[0]], cell, studies, [seed, n]) for n, cell in enumerate(cells)]
        lines = [line for task in tasks for line in task.result()]
    with FILE.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# python -m tests.studies.confirmation {studies} {seed}, {date.today().isoformat()}\n")
        file.write("# Monte Carlo standard error of 5 %: 0.34 with 4000 studies, 1.5 with 200\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADER)
        writer.writerows(lines)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
