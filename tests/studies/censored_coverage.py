"""
How often nominal 95 % intervals hold the truth where some values are only limits.

Run it as ``python -m tests.studies.censored_coverage [studies] [seed]``; a study takes about a fifth of a second. Plan of 30
prints in 6 loads (the one that ``doe plan`` searches for), full quadratic in four factors, one of them fixed in the
load, 5 coupons a print; print and residual variance one, load variance the ratio; slopes 0.7, squares -0.5. Limits come
in two ways. "mixed": a third left limits (below one value: broke in handling), two thirds right limits (above a value
of the coupon's own: broke in grips). "no break": right limits above one value for all, so that whole prints and loads
are lost together. Beside it the fit of the measured values with the limits left out.
"""

import sys
from itertools import product

import numpy as np
from scipy import special

from doe.numerics.censored import fit_censored
from doe.numerics.intervals import mean_interval
from doe.numerics.reml import contrast, fit_reml
from doe.numerics.terms import model_matrix
from doe.study import scale
from tests.conftest import make_study
from tests.studies.coverage import planned

PATTERNS = ("mixed", "no break")
SHARES = (0.1, 0.2, 0.3)
RATIOS = (0.0, 1.0, 3.0)
COUPONS = 5
KINDS = ("load linear", "load square", "print linear", "other print", "centre")
HEAD = (
    f"{'':24}"
    + "".join(f"{kind:>20}" for kind in KINDS)
    + "    load, print, residual variance   refused, unsettled   (coverage %, median half-width, mean error)"
)


def experiment(X, load, truth, ratio, generator):
    """Return the values of all coupons, with their rows, loads and prints."""
    printed = np.repeat(np.arange(len(X)), COUPONS)
    means = X @ truth + np.sqrt(ratio) * generator.normal(size=load.max() + 1)[load] + generator.normal(size=len(X))
    return means[printed] + generator.normal(size=len(printed)), X[printed], load[printed], printed


def limited(values, centre, spread, pattern, share, generator):
    """Return lower and upper limits; centre and spread are those of all values over many experiments."""
    lower, upper = values.copy(), values.copy()
    right, left = (2 * share / 3, share / 3) if pattern == "mixed" else (share, 0.0)
    own = spread if pattern == "mixed" else 0.0
    holds = centre - np.hypot(spread, own) * special.ndtri(right) + own * generator.normal(size=len(values))
    floor = centre + spread * special.ndtri(left)
    above, below = values > holds, values < floor
    lower[above], upper[above] = holds[above], np.inf
    lower[below], upper[below] = -np.inf, floor
    return lower, upper


def judged(fit, rows, truth):
    """Return whether the intervals hold, their half-widths and the errors, per row."""
    found = contrast(fit, rows)
    limits = mean_interval(found.estimates, found.se, found.dof)
    aim = rows @ truth
    return (limits[:, 0] <= aim) & (aim <= limits[:, 1]), (limits[:, 1] - limits[:, 0]) / 2, found.estimates - aim


def one(lower, upper, rows, X, load, printed, truth, leave_out):
    """Return what is judged of one experiment, and its variances; None where the fit is refused."""
    try:
        if leave_out:
            seen = lower == upper
            fit = fit_reml(lower[seen], X[seen], [load[seen], printed[seen]])
        else:
            fit = fit_censored(lower, upper, X, [load, printed]).mixed
    except ValueError:
        return None
    return judged(fit, rows, truth), fit.variances, fit.converged


def shown(results, groups):
    """Return one line of figures."""
    fits = [result for result in results if result is not None]
    holds, half, error = (np.array([fit[0][part] for fit in fits]) for part in range(3))
    cells = [f"{100 * holds[:, g].mean():8.1f}{np.median(half[:, g]):6.2f}{error[:, g].mean():+6.2f}" for g in groups]
    variances = np.array([fit[1] for fit in fits]).mean(axis=0)
    unsettled = sum(not fit[2] for fit in fits)
    return (
        "".join(cells)
        + "    "
        + "".join(f"{v:7.2f}" for v in variances)
        + f"   {len(results) - len(fits)}, {unsettled}"
    )


def main(studies=400, seed=1):
    """Print coverage in percent, median half-width and mean error; then the mean of the estimated variances."""
    study = make_study(printers=[], budget={})
    model, levels = scale.model_terms(study), scale.level_counts(study)
    X, load = planned(6)
    truth = np.array([(0.7 if len(term) == 1 else -0.5 * (term[0] == term[1])) if term else 0.0 for term in model])
    rows = np.vstack([np.eye(len(model)), model_matrix(np.zeros((1, 4)), model, levels)])
    linear, square = model.index((3,)), model.index((3, 3))
    mains = [model.index((factor,)) for factor in range(3)]
    others = [place for place, term in enumerate(model) if len(term) == 2 and place != square]
    groups = [[linear], [square], mains, others, [len(model)]]
    means = X @ truth
    print(
        f"{studies} studies a line, seed {seed}; Monte Carlo standard error {100 * np.sqrt(0.0475 / studies):.1f} at 95 %"
    )
    print(HEAD)
    for (number, pattern), share, ratio in product(enumerate(PATTERNS), SHARES, RATIOS):
        generator = np.random.default_rng([seed, number, int(100 * share), int(ratio)])
        drawn = []
        for _ in range(studies):
            values, *layout = experiment(X, load, truth, ratio, generator)
            limits = limited(values, means.mean(), np.sqrt(means.var() + ratio + 2), pattern, share, generator)
            drawn.append((*limits, rows, *layout, truth))
        met = np.mean([np.mean(lower != upper) for lower, upper, *_ in drawn])
        for leave_out in (False, True):
            name = "left out" if leave_out else f"{pattern} {100 * met:.0f} %"
            line = shown([one(*drawing, leave_out) for drawing in drawn], groups)
            print(f"{name:>15} ratio {ratio:g} " + line, flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
