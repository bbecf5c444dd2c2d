"""What a plan can and cannot tell: estimable terms, strata with their degrees of freedom, replicates, and verdicts."""

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
from doe.verdicts import Verdict

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
    """Prints beyond one per setting, within loads where there are loads."""

    def as_data(self) -> dict[str, int]:
        """Return the counts as plain data."""
        return asdict(self)


def cells(targets: pd.DataFrame) -> Codes:
    """Return a code per row, equal for equal settings; codes follow the order of first appearance."""
    keys = [tuple(row) for row in targets.itertuples(index=False)]
    place = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    return np.array([place[key] for key in keys], dtype=np.int64)


def codes(labels: Sequence[str]) -> Codes:
    """Return integer codes for labels in order of first appearance; an empty label is -1."""
    place = {label: number for number, label in enumerate(dict.fromkeys(label for label in labels if label))}
    return np.array([place.get(label, -1) for label in labels], dtype=np.int64)


def settings_of(study: Study, runs: pd.DataFrame, what: str = "target") -> pd.DataFrame:
    """Return the factors' columns of a plan, named by factor."""
    return pd.DataFrame({factor.name: runs[f"{what}.{factor.name}"].to_numpy() for factor in study.factors})


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
    if criteria.rank(X) == X.shape[1]:
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


def strata(study: Study, runs: pd.DataFrame) -> Strata:
    """Count what the declared model, with the printers as blocks, leaves in each stratum of a plan."""
    targets = settings_of(study, runs)
    model = scale.model_terms(study)
    X = terms.model_matrix(scale.coded(study, targets), model, scale.level_counts(study))
    X = np.hstack([X, block_columns(list(runs["printer"]))])
    load = codes(list(runs["load"]))
    columns = criteria.rank(X)
    loads = int(load.max(initial=-1)) + 1
    group = cells(targets) if not loads else cells(pd.DataFrame({"cell": cells(targets), "load": load}))
    pure = len(group) - len(set(group.tolist()))
    if not loads or loads == len(runs):
        return Strata(len(runs), loads, columns, len(runs) - columns if loads else 0, len(runs) - columns, pure)
    both = criteria.rank(np.hstack([X, np.eye(loads)[load]]))
    return Strata(len(runs), loads, columns, both - columns, len(runs) - both, pure)


def two_level_facts(study: Study, runs: pd.DataFrame) -> dict[str, Any]:
    """Return the resolution of a two-level plan read from disk, and which main effects and pairs it cannot tell apart."""
    corners = runs[runs["point"] == "corner"]
    counts = scale.level_counts(study)
    if corners.empty or any(count > 2 for count in counts):
        return {"resolution": None, "aliases": []}
    pairs = terms.standard_terms("interactions", counts)
    coded = scale.coded(study, settings_of(study, corners))
    groups = terms.alias_groups(coded, pairs, counts)
    return {
        "resolution": _shortest_word(coded, counts),
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


def verdicts(study: Study, runs: pd.DataFrame, counted: Strata, facts: dict[str, Any]) -> tuple[Verdict, ...]:
    """Return what a plan cannot do, each with its cause and the next step."""
    found = [*_load_verdicts(study, counted), *_error_verdicts(counted), *_rounding_verdicts(study, facts)]
    beyond = [
        factor.name
        for factor in study.factors
        if factor.low is not None
        and factor.high is not None
        and (
            runs[f"target.{factor.name}"].astype(float).min() < factor.low - 1e-9
            or runs[f"target.{factor.name}"].astype(float).max() > factor.high + 1e-9
        )
    ]
    if beyond:
        found.append(
            Verdict(
                "settings beyond low and high",
                f"the plan goes beyond the declared range of {', '.join(beyond)}",
                "check that the printers, the material and the oven allow these settings before printing",
            )
        )
    return tuple(found)


def rounding_efficiency(study: Study, exact: Array, targets: pd.DataFrame) -> float:
    """Return the D-efficiency of the rounded settings relative to the exact ones, in percent, prints as one stratum."""
    model, counts = scale.model_terms(study), scale.level_counts(study)
    after = criteria.d_efficiency(terms.model_matrix(scale.coded(study, targets), model, counts))
    return 100 * after / criteria.d_efficiency(terms.model_matrix(exact, model, counts))


def _load_verdicts(study: Study, counted: Strata) -> list[Verdict]:
    if not counted.loads:
        return [
            Verdict(
                "one drying load, or loads not recorded",
                "the plan does not say which prints share a drying load",
                "read the intervals as holding for the load that was used; give [budget] loads to spread the prints over several",
            )
        ]
    if study.load_factors and counted.load_dof < 1:
        return [
            Verdict(
                "no load error degree of freedom",
                f"{counted.loads} loads are all used up by the load factors ({', '.join(f.name for f in study.load_factors)})",
                "print more loads at the same levels: without them nothing can be said about these factors",
            )
        ]
    if counted.load_dof <= 2:
        return [
            Verdict(
                "few load error degrees of freedom",
                f"{counted.loads} loads leave {counted.load_dof} to judge what changes from load to load",
                f"plan {3 - counted.load_dof} more loads: below 3, intervals for the load factors are too wide to use",
            )
        ]
    return []


def _error_verdicts(counted: Strata) -> list[Verdict]:
    found = []
    if counted.print_dof < 1:
        found.append(
            Verdict(
                "no error degree of freedom",
                f"{counted.prints} prints leave none beyond the model and the loads",
                "add replicates or centre prints, or declare a smaller model: no interval and no recommendation is possible",
            )
        )
    elif counted.print_dof < 5:
        found.append(
            Verdict(
                "few error degrees of freedom",
                f"{counted.print_dof} are left to judge the factors that change from print to print",
                "add prints where the budget allows: 5 or more give intervals of useful width",
            )
        )
    if counted.pure_error_dof < 1:
        found.append(
            Verdict(
                "no pure error",
                "no setting is printed twice" + (" within one load" if counted.loads else ""),
                "add replicates or centre prints, or accept that lack of fit cannot be tested",
            )
        )
    return found


def _rounding_verdicts(study: Study, facts: dict[str, Any]) -> list[Verdict]:
    """Say so where rounding to the increment moved a setting by more than a twentieth of the factor's half range."""
    moved: dict[str, float] = facts.get("rounding", {})
    efficiency: float = facts.get("rounding_efficiency", 100.0)
    large = [
        f"{factor.name} by up to {moved[factor.name]:g} {factor.display_unit}".rstrip()
        for factor in study.factors
        if factor.is_numeric and moved.get(factor.name, 0.0) > 0.05 * factor.half_range
    ]
    if not large and efficiency >= 95:
        return []
    return [
        Verdict(
            "rounding to increments",
            f"settings were moved to what can be set ({'; '.join(large) or 'a little'}); "
            f"the plan keeps {efficiency:.3g} % of its D-efficiency",
            "use a finer increment if the printer allows it; the analysis uses the rounded settings either way",
        )
    ]
