"""How the prints were made, as far as a fit needs it: strata with their error as the mixed model of one response."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.numerics import reml
from doe.numerics.terms import rank

Codes = NDArray[np.int64]

_SAME = 1e-9  # coded units, below which settings do not differ


@dataclass(frozen=True)
class Strata:
    """Which variance components the prints can estimate, with the error degrees of freedom that judge them."""

    random: tuple[str, ...]
    """Names of the components before the residual: a part of ``load``, ``print``."""
    load_dof: int | None
    """None where the study has no loads."""
    print_dof: int
    used_up: "UsedUp | None" = None
    """What took the loads, where they leave no error degree of freedom."""


@dataclass(frozen=True)
class UsedUp:
    """What uses up the loads: each takes one, and so does each coefficient that the prints within loads cannot tell."""

    loads: int
    """How many there are."""
    between: tuple[str, ...]
    """Labels of the columns that do not vary within any load, the intercept among them."""
    within: tuple[str, ...]
    """Labels of the columns that do, but not each by itself: together they need differences between loads."""


@dataclass(frozen=True)
class Mixed:
    """A fitted mixed model, or why there is none."""

    fit: reml.MixedFit | None
    trouble: str
    """Why no variance could be estimated; empty where that is so for want of degrees of freedom, or where there is a fit."""


def strata(data: ResponseData) -> Strata:
    """Return the strata of the prints that gave values."""
    n, columns = data.X.shape
    loads = data.loads
    if loads == 0 or loads == n:  # one print a load: the load's variation is part of the print's
        load_dof, print_dof = (n - columns if loads else None), n - columns
        random: tuple[str, ...] = ()
    else:
        both = rank(np.hstack([data.X, np.eye(loads)[data.load]]))
        load_dof, print_dof = both - columns, n - both
        random = ("load",) if load_dof >= 1 else ()
    used_up = _used_up(data) if load_dof == 0 else None
    return Strata((*random, "print") if data.has_coupons else random, load_dof, print_dof, used_up)


def _used_up(data: ResponseData) -> UsedUp:
    """Return which columns need differences between loads: those in a combination that is constant within every load."""
    assert data.load is not None
    members = np.eye(data.loads)[data.load]
    within = data.X - members @ (members.T @ data.X / members.sum(axis=0)[:, None])
    constant = np.abs(within).max(axis=0) < _SAME
    _, sizes, axes = np.linalg.svd(within[:, ~constant])
    unseen = axes[int((sizes > _SAME * sizes.max(initial=1.0)).sum()) :]
    needed = np.zeros(len(constant), dtype=bool)
    needed[~constant] = np.abs(unseen).max(axis=0, initial=0.0) > _SAME
    labels = np.array(data.labels)
    return UsedUp(data.loads, tuple(labels[constant].tolist()), tuple(labels[needed].tolist()))


def mixed_model(data: ResponseData, random: Sequence[str]) -> reml.MixedFit:
    """
    Fit single measured values, or print means where coupons do not differ within any print.

    Parameters
    ----------
    data : ResponseData
    random : sequence of str
        Components before the residual.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        Values that do not vary, or components that cannot be told apart.
    """
    rows = data.of_print if data.has_coupons else np.arange(len(data.names))
    values = data.values if data.has_coupons else data.means
    return reml.fit_reml(values, data.X[rows], groups(data, rows, random))


def groups(data: ResponseData, rows: Codes, random: Sequence[str]) -> list[Codes]:
    """Return, per component, the group of each value; ``rows`` says which print a value belongs to."""
    codes = {"load": data.load, "print": np.arange(len(data.names))}
    return [np.asarray(codes[name], dtype=np.int64)[rows] for name in random]


def mixed_or_trouble(data: ResponseData, found: Strata) -> Mixed:
    """Fit the mixed model where the prints leave an error degree of freedom, or say why it cannot be."""
    if found.print_dof < 1:
        return Mixed(None, "")
    try:
        return Mixed(mixed_model(data, found.random), "")
    except ValueError as error:
        return Mixed(None, str(error))


def varies_between_loads(data: ResponseData) -> NDArray[np.bool_]:
    """Return, per column of the model, whether it is constant within every load (and loads hold several prints)."""
    if data.load is None or data.loads == len(data.names):
        return np.zeros(data.X.shape[1], dtype=bool)
    first = {code: row for row, code in reversed(list(enumerate(data.load.tolist())))}
    away = np.abs(data.X - data.X[[first[code] for code in data.load.tolist()]])
    return np.asarray(away.max(axis=0) < _SAME)
