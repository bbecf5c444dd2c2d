"""What a plan can or cannot tell apart: estimable terms, degrees of freedom of the strata, replicates, aliases."""

import itertools
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.errors import InputRefused, Problem
from doe.numerics import criteria, terms
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass(frozen=True)
class Strata:
    """Prints, loads and the degrees of freedom that the declared model leaves in each stratum."""

    prints: int
    loads: int
    """Drying loads; 0 where the plan has none."""
    coefficients: int
    """Of the declared model and the printers."""
    load_dof: int
    """Load error degrees of freedom: what judges the load factors."""
    print_dof: int
    """Print error degrees of freedom: what judges the others."""
    pure_error_dof: int
    """Of replicates within a load, beside the differences of printers and rounds."""

    def as_data(self) -> dict[str, int]:
        """Return the counts as plain data."""
        return asdict(self)


def cells(targets: pd.DataFrame) -> Codes:
    """Return a code per row, equal for equal settings; codes follow the order of first appearance."""
    keys = [tuple(row) for row in targets.itertuples(index=False)]
    place = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    return np.array([place[key] for key in keys], dtype=np.int64)


def cells_after(study: Study, earlier: pd.DataFrame, new: pd.DataFrame) -> list[int]:
    """Return the cells of new rows: those of earlier rows with the same setting, else numbers that go on from theirs."""
    rows = [list(settings_of(study, runs).itertuples(index=False, name=None)) for runs in (earlier, new)]
    cell = {key: int(number) for key, number in zip(rows[0], earlier["cell"], strict=True)}
    for key in rows[1]:
        cell.setdefault(key, max(cell.values()) + 1)
    return [cell[key] for key in rows[1]]


def codes(labels: Sequence[str]) -> Codes:
    """Return integer codes for labels in order of first appearance; an empty label is -1."""
    place = {label: number for number, label in enumerate(dict.fromkeys(label for label in labels if label))}
    return np.array([place.get(label, -1) for label in labels], dtype=np.int64)


def settings_of(study: Study, runs: pd.DataFrame, what: str = "target") -> pd.DataFrame:
    """Return the factors' columns of a plan, named by factor."""
    return pd.DataFrame({factor.name: runs[f"{what}.{factor.name}"].to_numpy() for factor in study.factors})


def round_blocks(runs: pd.DataFrame) -> list[str]:
    """Return the round that each print counts for: its own, or that of the print which a reprint stands for."""
    return [str(number) for number in runs.get("block", runs["round"])]


def block_columns(labels: Sequence[str]) -> Array:
    """Return sum-to-zero columns for the printers (or rounds) of some prints, shape (n, groups - 1)."""
    code = codes(labels)
    groups = int(code.max(initial=-1)) + 1
    if groups < 2:
        return np.zeros((len(code), 0))
    return np.vstack([np.eye(groups - 1), -np.ones(groups - 1)])[code]


def require_estimable(study: Study, targets: pd.DataFrame, kind: str) -> None:
    """Refuse a plan that cannot estimate the declared model, naming the terms it cannot tell apart."""
    model = scale.model_terms(study)
    X = terms.model_matrix(scale.coded(study, targets), model, scale.level_counts(study))
    if terms.rank(X) == X.shape[1]:
        return
    labels = scale.column_labels(study, model)
    if len(X) < X.shape[1]:
        found = f"{len(X)} prints cannot estimate the {X.shape[1]} coefficients of the declared model"
    else:
        groups = terms.confounded_columns(X)
        found = "the plan cannot tell apart: " + "; ".join(", ".join(labels[i] for i in group) for group in groups)
    raise InputRefused(
        Problem(
            f"plan of kind '{kind}'",
            found,
            "every term of [model] terms must be estimable",
            "choose another --kind or a higher --resolution, or declare a smaller [model] terms",
        )
    )


def matrix(study: Study, runs: pd.DataFrame) -> tuple[Array, Codes | None]:
    """
    Return the model matrix of a plan, coded: the declared model, then the printers' and the rounds' sum-to-zero columns.

    Returns
    -------
    X : ndarray of shape (n, p)
    load : ndarray of shape (n,) or None
        Load codes; None where the plan has no loads.
    """
    model = scale.model_terms(study)
    X = terms.model_matrix(scale.coded(study, settings_of(study, runs)), model, scale.level_counts(study))
    blocks = [block_columns(list(runs["printer"])), block_columns(round_blocks(runs))]
    load = codes(list(runs["load"]))
    return np.hstack([X, *blocks]), load if load.max(initial=-1) >= 0 else None


def strata(study: Study, runs: pd.DataFrame) -> Strata:
    """Count what the declared model, with the printers as blocks, leaves in each stratum of a plan."""
    X, found = matrix(study, runs)
    load = np.full(len(runs), -1, dtype=np.int64) if found is None else found
    columns = terms.rank(X)
    loads = int(load.max(initial=-1)) + 1
    pure = _pure_error_dof(study, runs, load)
    if not loads or loads == len(runs):
        return Strata(len(runs), loads, columns, len(runs) - columns if loads else 0, len(runs) - columns, pure)
    both = terms.rank(np.hstack([X, np.eye(loads)[load]]))
    return Strata(len(runs), loads, columns, both - columns, len(runs) - both, pure)


def _pure_error_dof(study: Study, runs: pd.DataFrame, load: Codes) -> int:
    """Return what replicates leave beside the differences of loads, printers and rounds, as the test of lack of fit counts it."""
    cell = cells(settings_of(study, runs))
    labels = [[str(code) for code in cell], [str(code) for code in load if code >= 0], list(runs["printer"]), round_blocks(runs)]
    groups = [codes([str(label) for label in one]) for one in labels if len(one) == len(runs)]
    columns = [np.eye(int(code.max()) + 1)[code] for code in groups if code.min(initial=0) >= 0 and code.max(initial=-1) >= 0]
    return len(runs) - int(np.linalg.matrix_rank(np.hstack(columns)))


def two_level_facts(study: Study, runs: pd.DataFrame) -> dict[str, Any]:
    """
    Return the resolution of a two-level plan and which main effects and pairs its corners cannot tell apart.

    The resolution is None where every corner is there equally often, and 3 where no product of factors is constant although
    corners are missing or uneven: main effects then take up parts of interactions (Plackett and Burman 1946).
    """
    corners = runs[runs["point"] == "corner"]
    counts = scale.level_counts(study)
    if corners.empty or any(count > 2 for count in counts):
        return {"resolution": None, "aliases": []}
    pairs = terms.standard_terms("interactions", counts)
    coded = scale.coded(study, settings_of(study, corners))
    groups = terms.alias_groups(coded, pairs, counts)
    return {
        "resolution": _shortest_word(coded, counts) or _partial(coded),
        "aliases": [
            " = ".join(scale.term_label(study, term) for term in sorted(group, key=lambda t: (len(t), t)))
            for group in groups
        ],
    }


def _shortest_word(coded: Array, counts: tuple[int, ...]) -> int | None:
    """Return the least number of factors whose product is the same in every corner: the resolution; None for a full factorial."""
    signs = np.where(np.array(counts) > 0, 2 * coded - 1, coded)
    for size in range(1, len(counts) + 1):
        for subset in itertools.combinations(range(len(counts)), size):
            if abs(signs[:, subset].prod(axis=1).mean()) > 1 - 1e-9:
                return size
    return None


def _partial(coded: Array) -> int | None:
    corners, counts = np.unique(coded, axis=0, return_counts=True)
    return 3 if len(corners) < 2 ** coded.shape[1] or np.ptp(counts) > 0 else None


def rounding_efficiency(study: Study, exact: Array, targets: pd.DataFrame) -> float:
    """Return the D-efficiency of rounded settings relative to exact ones, of shape (n, k) and coded; percent, one stratum."""
    model, counts = scale.model_terms(study), scale.level_counts(study)
    after = criteria.d_efficiency(terms.model_matrix(scale.coded(study, targets), model, counts))
    return 100 * after / criteria.d_efficiency(terms.model_matrix(exact, model, counts))
