"""
How long one fit takes with all its intervals, and many fits as the coverage study makes them.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.fit_times [fits]``. 120 coupons in 30 prints and 6 loads, full
quadratic in four factors, one of them fixed in the load; load and print components. Processor time stands beside the time
on the clock, for machines that others use as well.
"""

import sys
import time

import numpy as np

from doe.numerics.intervals import mean_interval, prediction_interval
from doe.numerics.mixture import mixture, mixture_interval
from doe.numerics.reml import contrast, fit_reml, prediction, upper_ratio_limit
from doe.numerics.terms import model_matrix, standard_terms


def study(generator):
    """Return values, model matrix, loads and prints of 120 coupons."""
    load, of_print = np.repeat(np.arange(6), 5), np.repeat(np.arange(30), 4)
    settings = generator.choice([-1.0, 0.0, 1.0], (30, 4))
    settings[:, 3] = np.array([-1.0, 0.0, 1.0, -1.0, 0.0, 1.0])[load]
    X = model_matrix(settings, standard_terms("quadratic", (0,) * 4), (0,) * 4)
    y = generator.normal(size=6)[load] + generator.normal(size=30)
    return y[of_print] + generator.normal(size=120), X[of_print], load[of_print], of_print


def everything(y, X, load, of_print):
    """Fit, and make every interval: coefficients, the mean and a new print at a setting, components at zero."""
    fit = fit_reml(y, X, [load, of_print])
    means, new = contrast(fit, np.vstack([np.eye(X.shape[1]), X[:1]])), prediction(fit, X[:1], [1, 1, 1 / 4])
    limits = [upper_ratio_limit(fit, k) for k, at_zero in enumerate(fit.at_zero) if at_zero]
    return mean_interval(means.estimates, means.se, means.dof), prediction_interval(new.estimates, new.se, new.dof), limits


def of_posterior(y, X, load, of_print):
    """Make the same intervals from the posterior."""
    found = mixture(y, X, [load, of_print])
    return mixture_interval(found, np.vstack([np.eye(X.shape[1]), X[:1]])), mixture_interval(found, X[:1], [1, 1, 1 / 4])


def measured(work, cases):
    """Return the shortest and the median time of one case on the clock and the mean of the processor, milliseconds."""
    times, processor = [], time.process_time()
    for case in cases:
        start = time.perf_counter()
        work(*case)
        times.append(time.perf_counter() - start)
    return 1000 * min(times), 1000 * np.median(times), 1000 * (time.process_time() - processor) / len(cases)


def main(fits=2000):
    """Print the times."""
    generator = np.random.default_rng(1)
    cases = [study(generator) for _ in range(fits)]
    everything(*cases[0])  # what is loaded at its first use
    least, median, processor = measured(everything, cases)
    print(f"one fit with all intervals, ms: {least:.1f} to {median:.1f} (median) on the clock, {processor:.1f} of processor")
    print(f"{fits} fits: {processor * fits / 1000:.1f} s of processor")
    least, median, processor = measured(of_posterior, cases[:20])
    print(f"the same from the posterior, ms: {least:.0f} to {median:.0f} on the clock, {processor:.0f} of processor")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
