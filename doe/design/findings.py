"""What a plan cannot do, each with its cause, then the next step."""

from typing import Any

import pandas as pd

from doe.design import check, region
from doe.design.check import Strata
from doe.design.purpose import LOAD_DOF, PRINT_DOF
from doe.design.quality import Quality
from doe.numerics import terms
from doe.study import nonlinear_scales, scale
from doe.study.spec import Factor, Study
from doe.verdicts import Verdict


def verdicts(
    study: Study, runs: pd.DataFrame, counted: Strata, judged: Quality | None, facts: dict[str, Any]
) -> tuple[Verdict, ...]:
    """
    Return what a plan cannot do, each with its cause and the next step.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        As of a Design.
    counted : Strata
    judged : Quality or None
        None where the plan cannot estimate the declared model.
    facts : dict
        ``rounding`` and ``rounding_efficiency`` where settings were rounded.
    """
    return (
        *_load_verdicts(study, runs, counted),
        *_error_verdicts(counted),
        *_coefficient_verdicts(study, runs, judged),
        *_corner_verdicts(study),
        *_rounding_verdicts(study, facts),
        *_range_verdicts(study, runs),
        *_budget_verdicts(study, runs, counted),
        *nonlinear_scales.verdicts(study),
    )


def _coefficient_verdicts(study: Study, runs: pd.DataFrame, judged: Quality | None) -> list[Verdict]:
    if judged is None:
        X, _ = check.matrix(study, runs)
        labels = [*scale.column_labels(study, scale.model_terms(study))]
        labels += ["printers or rounds"] * (X.shape[1] - len(labels))
        groups = [", ".join(dict.fromkeys(labels[i] for i in group)) for group in terms.confounded_columns(X)]
        return [
            Verdict(
                "terms that cannot be told apart",
                f"these prints cannot separate: {'; '.join(groups)}",
                "add prints that do, or declare a smaller [model] terms",
            )
        ]
    found = []
    if judged.near_aliases:
        named = ", ".join(f"{label} ({factor:.3g} times)" for label, factor in judged.near_aliases)
        found.append(
            Verdict(
                "terms nearly aliased",
                f"other terms inflate the variance of {named}",
                "more prints or another kind of plan separates them better; compare with 'doe plan --compare'",
            )
        )
    if judged.full_leverage:
        found.append(
            Verdict(
                "prints on which a coefficient hangs alone",
                f"leverage 1: {', '.join(judged.full_leverage)}; should one of them fail, the model cannot be estimated",
                "plan a few more prints, or be ready to print these again",
            )
        )
    return found


def _corner_verdicts(study: Study) -> list[Verdict]:
    cut = region.cut_corners(study)
    if not cut:
        return []
    units = {factor.name: factor.display_unit for factor in study.factors}
    named = [" with ".join(f"{name} {value:g} {units[name]}".rstrip() for name, value in one.items()) for one in cut]
    return [
        Verdict(
            "constraints empty a corner",
            f"no print is allowed at {'; '.join(named[:4])}" + (f" and {len(named) - 4} more" if len(named) > 4 else ""),
            "nothing can be said of settings there; coefficients become less precise the more is cut off",
        )
    ]


def _range_verdicts(study: Study, runs: pd.DataFrame) -> list[Verdict]:
    beyond = [factor.name for factor in study.factors if factor.is_numeric and _beyond(factor, runs)]
    if not beyond:
        return []
    return [
        Verdict(
            "settings beyond low and high",
            f"the plan goes beyond the declared range of {', '.join(beyond)}",
            "check that the printers, the material and the oven allow these settings before printing",
        )
    ]


def _beyond(factor: Factor, runs: pd.DataFrame) -> bool:
    assert factor.low is not None and factor.high is not None
    values = runs[f"target.{factor.name}"].astype(float)
    slack = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
    return bool(values.min() < factor.low - slack or values.max() > factor.high + slack)


def _budget_verdicts(study: Study, runs: pd.DataFrame, counted: Strata) -> list[Verdict]:
    over, rounds = [], runs["round"].nunique()
    if study.budget.prints is not None and len(runs) > study.budget.prints:
        over.append(f"{len(runs)} prints where the budget has {study.budget.prints}")
    if study.budget.loads is not None and counted.loads > study.budget.loads:
        over.append(f"{counted.loads} drying loads where it has {study.budget.loads}")
    if not over:
        return []
    return [
        Verdict(
            "more than the budget",
            f"{'the plan takes' if rounds == 1 else 'all rounds together take'} {' and '.join(over)}",
            "leave --kind out for a plan that fits the budget, or raise [budget]"
            if rounds == 1
            else "extend with fewer --prints and --loads, or raise [budget]",
        )
    ]


def _load_verdicts(study: Study, runs: pd.DataFrame, counted: Strata) -> list[Verdict]:
    if not counted.loads:
        return [
            Verdict(
                "one drying load, or loads not recorded",
                "the plan does not say which prints share a drying load",
                "read the intervals as holding for the load that was used; give [budget] loads to spread the prints over several."
                " Where the filament takes up water, drying belongs to the study: add the factor drying_time with change = "
                "\"load\", loads and the oven's temperature (a new study of family 'other' has them as comments)",
            )
        ]
    if study.load_factors and counted.load_dof < 1:
        return [
            Verdict(
                "no load error degree of freedom",
                f"the {counted.loads} loads differ in {', '.join(f.name for f in study.load_factors)}, and none is left to show "
                "how much loads differ that are dried alike",
                "print more loads at the same settings of what is fixed in a load: without them nothing can be said about it",
            )
        ]
    found = []
    if counted.load_dof < LOAD_DOF:
        found.append(
            Verdict(
                "few load error degrees of freedom",
                f"{counted.loads} loads leave {counted.load_dof} to judge what changes from load to load",
                f"plan {LOAD_DOF - counted.load_dof} more loads: below {LOAD_DOF}, intervals of load factors are too wide to use",
            )
        )
    settings = [f"target.{factor.name}" for factor in study.load_factors]
    if settings and (runs.groupby(settings)["load"].nunique() == 1).all():
        found.append(
            Verdict(
                "one load per setting of what is fixed in a load",
                f"no setting of {', '.join(factor.name for factor in study.load_factors)} is dried twice",
                "plan more loads: what a load did and what its setting does are told apart only by the shape of the model",
            )
        )
    return found


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
    elif counted.print_dof < PRINT_DOF:
        found.append(
            Verdict(
                "few error degrees of freedom",
                f"{counted.print_dof} are left to judge the factors that change from print to print",
                f"add prints where the budget allows: {PRINT_DOF} or more give intervals of useful width",
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


def _twentieth(factor: Factor) -> float:
    """Return a twentieth of the half range, natural units; where it is shortest, if the scale is not linear."""
    if not factor.has_nonlinear_scale:
        return 0.05 * factor.half_range
    low, after, before, high = factor.coding.natural([-1, -0.95, 0.95, 1])
    return float(min(after - low, high - before))


def _rounding_verdicts(study: Study, facts: dict[str, Any]) -> list[Verdict]:
    """Say so where rounding moved a setting by a twentieth of the half range, or cost a twentieth of the efficiency."""
    moved: dict[str, float] = facts.get("rounding", {})
    efficiency: float = facts.get("rounding_efficiency", 100.0)
    large = [
        f"{factor.name} by up to {moved[factor.name]:g} {factor.display_unit}".rstrip()
        for factor in study.factors
        if factor.is_numeric and moved.get(factor.name, 0.0) > _twentieth(factor)
    ]
    if not large and efficiency >= 95:
        return []
    done = f"settings were moved to what can be set ({'; '.join(large)})" if large else "few values of a factor can be set"
    return [
        Verdict(
            "rounding to increments",
            f"{done}; the plan keeps {efficiency:.3g} % of its efficiency",
            "use a finer increment if the printer allows it; the analysis uses the rounded settings either way",
        )
    ]
