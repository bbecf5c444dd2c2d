"""
How often nominal 95 % intervals from weighings hold the diffusivity, its activation energy and the loss until equilibrium.

Run it as ``python -m tests.studies.drying_coverage [dryings] [seed]``; it writes ``drying_coverage.csv``. A spool of 1 kg of a
polymer like nylon (illustrative D and E) loses 20 g until equilibrium; weighings have normal errors and are read to 0.01 g.
"""

import csv
import sys
from pathlib import Path

import numpy as np

from doe.numerics import drying, strand
from doe.numerics.weighings import Weighings, fit_drying

TRUE, DIAMETER, LOSS, STEP = drying.Diffusivity(5e-13, 55e3, 23), 1.75, 20.0, 0.01
DAY = (0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0)
CELLS = {
    "to equilibrium": ((80.0,), (*DAY, 16.0), 0.05),
    "one shift": ((80.0,), (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0), 0.05),
    "stopped early": ((80.0,), (0.0, 0.5, 1.0, 1.5, 2.0, 2.5), 0.05),
    "coarse balance": ((80.0,), DAY, 1.0),
    "two temperatures": ((60.0, 80.0), DAY, 0.05),
}
FILE = Path(__file__).with_suffix(".csv")


def weighed(cell, generator):
    """Simulated weighings of one cell."""
    ovens, hours, noise = cell
    times, run = np.tile(hours, len(ovens)), np.repeat(np.arange(len(ovens)), len(hours))
    rates = np.array([drying.rate(float(TRUE.at(oven)), DIAMETER) for oven in ovens])
    mass = 1000 - LOSS * strand.removed(rates[run] * times) + generator.normal(0, noise, len(times))
    return Weighings(times, STEP * np.round(mass / STEP), run, np.array(ovens))


def held(cell, generator):
    """Whether each interval of one simulated fit holds the truth, and whether that of the diffusivity is open."""
    fit = fit_drying(weighed(cell, generator), DIAMETER, STEP)
    pairs = {"diffusivity": (fit.diffusivity, float(TRUE.at(fit.temperature))), "loss": (fit.loss[0], LOSS)}
    if fit.activation is not None:
        pairs["activation"] = (fit.activation, TRUE.activation)
    inside = {name: found.low < truth < found.high for name, (found, truth) in pairs.items()}
    return {**inside, "open": not 0 < fit.diffusivity.low < fit.diffusivity.high < np.inf}


def main(dryings, seed):
    """Write the shares of all cells."""
    generator = np.random.default_rng(seed)
    rows = []
    for name, cell in CELLS.items():
        found = [held(cell, generator) for _ in range(dryings)]
        shares = {key: f"{np.mean([one[key] for one in found]):.3f}" for key in found[0]}
        rows.append({"weighings": name, "dryings": dryings, "seed": seed, **shares})
        print(rows[-1], flush=True)
    keys = ("weighings", "dryings", "seed", "diffusivity", "loss", "activation", "open")
    with FILE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, keys, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main(*(int(word) for word in (*sys.argv[1:], *("100", "1")[len(sys.argv) - 1 :])))
