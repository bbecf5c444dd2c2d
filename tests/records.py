"""Records made directly, for tests of what comes after the workbook."""

import numpy as np

from doe.design import check
from doe.record.match import Record
from doe.record.schema import frame, schema
from doe.study import scale


def simulated(study, design, seed=1, load_sd=0.5, print_sd=0.7, coupon_sd=1.0, mean=None):
    """Return a record in which every response follows a plane, or a function of the coded settings, with scatter."""
    generator = np.random.default_rng(seed)
    runs = design.runs.reset_index(drop=True)
    coded = scale.coded(study, check.settings_of(study, runs))
    load = check.codes(list(runs["load"]))
    of_load = generator.normal(0, load_sd, load.max() + 2)
    prints, coupons = [], []
    for row, x in enumerate(coded):
        name = runs["print"][row]
        level = 30.0 + 2.0 * x[0] if mean is None else mean(x)
        level += of_load[load[row]] + generator.normal(0, print_sd)
        one = {
            "print": name,
            "round": int(runs["round"][row]),
            "load": runs["load"][row],
            "printer": runs["printer"][row],
            "outcome": "completed",
        }
        one |= {r.name: level for r in study.responses if r.per == "print" and r.kind == "measured"}
        prints.append(one)
        for number in range(1, max(r.coupons for r in study.responses) + 1):
            cell = {"coupon": f"{name}-{number}", "print": name, "number": number, "outcome": "completed"}
            for response in study.responses:
                if response.per == "coupon" and number <= response.coupons:
                    cell[response.name] = level + generator.normal(0, coupon_sd)
            coupons.append(cell)
    columns = schema(study)
    return Record(
        prints=frame(columns["prints"], prints),
        coupons=frame(columns["coupons"], coupons),
        loads=frame(columns["loads"], []),
        checks=frame(columns["checks"], []),
        corrections=frame(columns["corrections"], []),
    )
