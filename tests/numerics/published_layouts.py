"""The published experiments with groups: which columns they have, and their fits as R would code them."""

from functools import cache

import numpy as np

from doe.numerics.reml import fit_reml
from tests.numerics.published import case, table
from tests.reference_data import expected_of

# Response and groups of the published experiments.
LAYOUTS = {
    "E_corrosion_box": ("resistance", ["heat"]),
    "E_oats_yates": ("yield", ["block", "whole_plot"]),
    "E_wood_resistance": ("resistance", ["whole_plot"]),
    "E_alfalfa": ("Yield", ["Block", "whole_plot"]),
    "E_cultivation": ("drywt", ["block", "whole_plot"]),
    "E_metal_bond": ("pressure", ["ingot"]),
    "E_dyestuff": ("Yield", ["Batch"]),
    "E_dyestuff2_zero": ("Yield", ["Batch"]),
    "E_pastes": ("strength", ["batch", "sample"]),
    "E_corrosion_lost_numeric": ("resistance", ["heat"]),
}
# Recomputed in 34-digit arithmetic from the published data; where that is missing, in R.
MULTIPRECISION = [name for name in LAYOUTS if name not in ("E_cultivation", "E_dyestuff2_zero")]
# Fitted in R 4.2.2 with lme4 1.1-31 (REML) and pbkrtest 0.5.2 (Kenward-Roger).
FITTED_IN_R = [
    "oats",
    "cake",
    "pastes",
    "penicillin",
    "sim2k",
    "unbal",
    "nested3",
    "bound0",
    "bound_nested",
    "tiny12",
    "three_vc",
]


def factor_of(part, data):
    """Return the factor that a part of a coefficient's name belongs to."""
    return max((name for name in data if part.startswith(name)), key=len)


def column(part, data, coding):
    """Return the column of one part of a coefficient's name, as R names and codes it."""
    if part == "(Intercept)":
        return np.ones(len(next(iter(data.values()))))
    if part in data:
        return data[part].astype(float)
    name = factor_of(part, data)
    if coding == "contr.sum":
        levels = sorted(set(data[name]))
        return (data[name] == levels[int(part.removeprefix(name)) - 1]) * 1.0 - (data[name] == levels[-1])
    return (data[name] == part.removeprefix(name)) * 1.0


def read_experiment(name):
    data = table(name)
    if name == "E_corrosion_lost_numeric":
        data["t"] = (data["temperature"].astype(float) - 370) / 10
        data["I(t^2)"] = data["t"] ** 2
    return data


def model_of(data, labels, coding):
    """Return the model matrix of coefficients as R names them."""
    return np.column_stack(
        [np.prod([column(part, data, coding) for part in label.split(":")], axis=0) for label in labels]
    )


def fit_published(name, labels, coding, groups=None):
    """Fit a published experiment, with the groups of its layout or others."""
    response, usual = LAYOUTS[name]
    data = read_experiment(name)
    chosen = usual if groups is None else groups
    return fit_reml(data[response].astype(float), model_of(data, labels, coding), [data[group] for group in chosen])


def term_rows(name, labels, term):
    """Return the unit rows of the coefficients that make up a term."""
    if term in labels:
        return np.eye(len(labels))[[labels.index(term)]]
    data = dict.fromkeys(read_experiment(name))
    wanted = set(term.split(":"))
    belongs = [
        {factor_of(part, data) for part in label.split(":") if part != "(Intercept)"} == wanted for label in labels
    ]
    return np.eye(len(labels))[belongs]


@cache
def fit_recomputed(name, source="reference_multiprecision"):
    """Return the fit, what is expected of it, and the names of the coefficients."""
    reference = expected_of(name)[source]
    labels = list(reference["coef"])
    coding = reference.get("coding") or reference.get("contrasts", "contr.treatment")
    return fit_published(name, labels, coding), reference, labels


@cache
def fit_from_r(name):
    """Return our fit of a layout that was fitted in R, and R's values."""
    reference, data = case(f"mixed/{name}"), table(f"mixed/{name}")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    return fit_reml(data["y"].astype(float), X, [data[group] for group in reference["groups"]]), reference
