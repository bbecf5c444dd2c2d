"""Prints that were lost, planned anew under new identifiers; the old rows stay."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe.design import check, order, plan
from doe.design.plan import Design
from doe.study.spec import Study


def reprinted(design: Design) -> set[str]:
    """Return the prints that were planned anew already."""
    return set(design.runs.get("reprint_of", ())) - {""}


def reprint(study: Study, design: Design, lost: Sequence[str], seed: int) -> Design:
    """
    Plan lost prints anew, as a round of their own on new drying loads.

    They have the settings, printer and cell of the prints that they stand for, and count in the model for the round of these:
    a round has its own sheet, but a few prints made later are no block with a mean of its own. A spool that was dried for the
    lost print is not dry any more, so that every reprint needs a new load; prints that need equal levels of the load factors
    share one, up to the size of the plan's largest.

    Parameters
    ----------
    study : Study
    design : Design
    lost : sequence of str
        Identifiers of the prints, at least one.
    seed : int
        Of their order.

    Returns
    -------
    Design
        All rows, the new ones last; ``reprint_of`` names the print that each stands for.
    """
    runs = design.runs
    old = runs[runs["print"].isin(lost)].reset_index(drop=True)
    load, printer = _loads(study, runs, old), _printers(study, old)
    sequence, _ = order.run_order(load, printer, np.random.default_rng(seed))
    mine = old.iloc[sequence].reset_index(drop=True)
    targets = check.settings_of(study, mine)
    provenance = plan.next_round(design, "reprint", seed)
    new = plan.assemble(study, targets, load[sequence], printer[sequence], list(mine["point"]), provenance)
    new = new.assign(cell=mine["cell"], kind=mine["kind"], reprint_of=mine["print"], block=[*map(int, check.round_blocks(mine))])
    return plan.checked(study, plan.joined(runs, new), {"kind": "reprint"})


def _printers(study: Study, old: pd.DataFrame) -> plan.Codes:
    """Return each print's printer as a code in the study; -1 where it has none."""
    places = {one.name: place for place, one in enumerate(study.printers)}
    return np.array([places.get(name, -1) for name in old["printer"]], dtype=np.int64)


def _loads(study: Study, runs: pd.DataFrame, old: pd.DataFrame) -> plan.Codes:
    """Return codes of new loads: one level of the load factors each, none larger than the plan's largest; -1 without loads."""
    if not any(runs["load"]):
        return np.full(len(old), -1, dtype=np.int64)
    most = int(runs[runs["load"] != ""].groupby("load").size().max())
    level = check.cells(check.settings_of(study, old)[[factor.name for factor in study.load_factors]])
    found = np.full(len(old), -1, dtype=np.int64)
    for code in dict.fromkeys(level.tolist()):
        rows = np.flatnonzero(level == code)
        found[rows] = found.max() + 1 + np.arange(len(rows)) // most
    return found
