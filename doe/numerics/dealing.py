"""Which print goes to which place, a place being one drying load on one printer.

Loads and printers take part of the model with them where their prints differ in the factors. The determinant of
X'V^-1 X, with a column per printer contrast in X and V = I + ratio ZZ' for the loads, says how much is left
(``doe.numerics.criteria``). A swap of two prints changes it by a factor that is known without a new decomposition:

with d the difference of the two prints' rows of X, c = ratio / (1 + ratio m) for a load of m prints with column sums S,
and u = (b_s - c_s S_s) - (b_t - c_t S_t) for places s and t with printer columns b, the information matrix changes by
d u' + u d' + a d d', a = -(c_s + c_t) between loads and 0 within one. With C its inverse the determinant is multiplied by

    (1 + d'Cu)^2 + d'Cd (a - u'Cu).

References
----------
Goos and Vandebroek, "D-optimal split-plot designs with given numbers and sizes of whole plots", Technometrics 45 (2003)
235. Cook and Nachtsheim, "Computer-aided blocking of factorial and response-surface designs", Technometrics 31 (1989)
339: swaps between blocks.

"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.numerics.criteria import information, log_d

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_RATIO = 1.0  # load variance / print variance
_RIDGE = 1e-6  # keeps the inverse finite, and the gains above rounding noise, where a deal confounds the printers
_GAIN = 1e-6  # least gain of log determinant
_DIGITS = 7  # swaps that are equal but for rounding noise are equal, so that every machine takes the same one
_LACK = 1e6  # what is missing of a wish counts for more than any determinant


@dataclass(frozen=True)
class Places:
    """
    The places that prints are dealt to, as many as prints.

    Parameters
    ----------
    load : ndarray of shape (n,)
        Code of the drying load, 0 or more; -1 for all where there are no loads.
    printer : ndarray of shape (n,)
        Code of the printer, 0 or more; -1 for all where there are none.
    level : ndarray of shape (n,)
        What is fixed in the load: only prints of this code may be dealt here.

    """

    load: Codes
    printer: Codes
    level: Codes


@dataclass(frozen=True)
class Wish:
    """
    What is asked of a deal besides the determinant; a wish that cannot be granted is granted as far as it can be.

    Parameters
    ----------
    settings : ndarray of shape (n, k)
        Level of each factor of each print, as codes 0, 1, ...: no printer is to make all its prints at one level of a
        factor that varies.
    cell : ndarray of shape (n,)
        Code per print; equal for equal settings.
    pairs : int
        Prints of a load that repeat another one of the same load: at least so many.
    apart : tuple of int
        Cells whose prints are to be in two or more loads.

    """

    settings: Codes
    cell: Codes
    pairs: int = 0
    apart: tuple[int, ...] = ()


@dataclass(frozen=True)
class Deal:
    """
    Prints at places.

    Parameters
    ----------
    load, printer : ndarray of shape (n,)
        Of each print; -1 where there is none.
    lack : int
        What is missing of the wish, as ``lack`` counts it.
    log_d : float
        log |X'V^-1 X|, printers among the columns; minus infinity where these cannot be told apart from the model.

    """

    load: Codes
    printer: Codes
    lack: int
    log_d: float


def random_deal(places: Places, level: Codes, generator: np.random.Generator) -> Codes:
    """
    Return a random print for each place, of the level that the place's load has.

    Parameters
    ----------
    places : Places
    level : ndarray of shape (n,)
        Code per print, as often as among the places.
    generator : numpy Generator

    Returns
    -------
    ndarray of shape (n,)
        The print at each place.

    """
    at = np.empty(len(level), dtype=np.int64)
    for code in np.unique(level):
        at[places.level == code] = generator.permutation(np.flatnonzero(level == code))
    return at


def improve(X: Array, places: Places, wish: Wish, at: Codes, swaps: int) -> Deal:
    """
    Swap prints, the best swap first, until none is left that raises the determinant or grants more of the wish.

    Load and print variance are taken as equal, as for every plan that is made before there are data.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix of the prints, coded units, of full rank.
    places : Places
    wish : Wish
    at : ndarray of shape (n,)
        The print at each place, to start with.
    swaps : int
        Stop after so many.

    Returns
    -------
    Deal

    """
    at = at.copy()
    blocks = _printer_columns(places.printer, len(X) - X.shape[1])
    may = np.triu(places.level[:, None] == places.level, 1)
    for _ in range(swaps):
        score = np.where(may, log_factors(X[at], blocks, places.load), -np.inf)
        score -= _LACK * lack_changes(wish, places, at)
        s, t = np.unravel_index(int(np.argmax(np.round(score, _DIGITS))), score.shape)
        if not score[s, t] > _GAIN:
            break
        at[s], at[t] = at[t], at[s]
    back = np.argsort(at)
    load, printer = places.load[back], places.printer[back]
    full = np.hstack([X[at], blocks])
    return Deal(load, printer, lack(wish, load, printer), log_d(full, _loads(places.load), _RATIO))


def log_factors(X: Array, blocks: Array, load: Codes) -> Array:
    """
    Return log of the factor by which each swap of two places multiplies the determinant.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, place by place, coded units.
    blocks : ndarray of shape (n, b)
        Columns for the printers, which stay with the place.
    load : ndarray of shape (n,)
        Load codes; -1 where there are no loads.

    Returns
    -------
    ndarray of shape (n, n)
        Symmetric; 0 on the diagonal.

    """
    M = information(np.hstack([X, blocks]), _loads(load), _RATIO)
    C = np.linalg.inv(M + _RIDGE * np.eye(len(M)))
    shrink, sums = np.zeros(len(X)), np.zeros((len(X), len(M)))
    if load.max(initial=-1) >= 0:
        same = (load[:, None] == load).astype(float)
        shrink = _RATIO / (1 + _RATIO * same.sum(axis=1))
        sums = same @ np.hstack([X, blocks])
    f = np.hstack([X, np.zeros_like(blocks)])
    g = np.hstack([np.zeros_like(X), blocks]) - shrink[:, None] * sums
    across = f @ C @ g.T
    a = np.where(load[:, None] == load, 0.0, -(shrink[:, None] + shrink))
    dCu = across + across.T - np.diag(across)[:, None] - np.diag(across)
    factor = (1 + dCu) ** 2 + _distances(f @ C @ f.T) * (a - _distances(g @ C @ g.T))
    return np.asarray(np.log(np.maximum(factor, 1e-300)))


def lack(wish: Wish, load: Codes, printer: Codes) -> int:
    """
    Return how much of a wish is missing: pairs within a load, second loads of cells, and levels for a printer's factors.

    Parameters
    ----------
    wish : Wish
    load, printer : ndarray of shape (n,)
        Of each print; -1 where there is none. Without loads, all prints count as one load.

    """
    counts = _counts(load, wish.cell)
    held = (counts[:, list(wish.apart)] > 0).sum(axis=0)
    return (
        max(0, wish.pairs - _pairs(counts))
        + int(np.maximum(2 - held, 0).sum())
        + sum(int(_flat(wish.settings[printer == code]).sum()) for code in range(_printers(printer)))
        - _printers(printer) * int(_flat(wish.settings).sum())
    )


def lack_changes(wish: Wish, places: Places, at: Codes) -> Codes:
    """
    Return by how much each swap of two places changes ``lack``.

    Parameters
    ----------
    wish : Wish
    places : Places
    at : ndarray of shape (n,)
        The print at each place.

    Returns
    -------
    ndarray of shape (n, n)

    """
    return _replicate_changes(wish, places.load, wish.cell[at]) + _flat_changes(wish.settings[at], places.printer)


def _replicate_changes(wish: Wish, load: Codes, cell: Codes) -> Codes:
    """Return the changes in pairs and second loads that are missing, for the cells place by place."""
    counts = _counts(load, cell)
    there = counts[np.maximum(load, 0)][:, cell]  # prints in the load of place s that equal the print at place t
    own = np.diag(there)
    pairs = _pairs(counts)
    gained = (there >= 1).astype(np.int64) + (there.T >= 1) - (own >= 2)[:, None] - (own >= 2)
    change = np.maximum(wish.pairs - pairs - gained, 0) - max(wish.pairs - pairs, 0)
    held = (counts > 0).sum(axis=0)[cell]
    after = held[:, None] + (there.T == 0) - (own == 1)[:, None]
    missing = np.maximum(2 - after, 0) - np.maximum(2 - held, 0)[:, None]
    missing = np.where(np.isin(cell, wish.apart)[:, None], missing, 0)
    return np.where((load[:, None] == load) | (cell[:, None] == cell), 0, change + missing + missing.T)


def _flat_changes(settings: Codes, printer: Codes) -> Codes:
    """Return the changes in factors that a printer has at one level only, for the settings place by place."""
    if _printers(printer) < 2:
        return np.zeros((len(printer), len(printer)), dtype=np.int64)
    factors = np.arange(settings.shape[1])
    counts = np.zeros((_printers(printer), len(factors), int(settings.max()) + 1), dtype=np.int64)
    np.add.at(counts, (printer[:, None], factors, settings), 1)
    rest = counts[printer]  # levels of the other prints of each place's printer
    rest[np.arange(len(printer))[:, None], factors, settings] -= 1
    others = np.bincount(printer)[printer] - 1
    one_level = rest.max(axis=2) == others[:, None]
    after = (one_level[:, None, :] & (rest.argmax(axis=2)[:, None, :] == settings)).sum(axis=2)
    change = np.where((others > 0)[:, None], after - np.diag(after)[:, None], 0)
    return np.where(printer[:, None] == printer, 0, change + change.T)


def _printer_columns(printer: Codes, room: int) -> Array:
    """Return sum-to-zero columns for the printers; none where they would leave no print over."""
    contrasts = _printers(printer) - 1
    if contrasts < 1 or contrasts >= room:
        return np.zeros((len(printer), 0))
    return np.vstack([np.eye(contrasts), -np.ones(contrasts)])[printer]


def _loads(load: Codes) -> Codes | None:
    return None if load.max(initial=-1) < 0 else load


def _printers(printer: Codes) -> int:
    return int(printer.max(initial=-1)) + 1


def _flat(settings: Codes) -> NDArray[np.bool_]:
    """Return which factors have one level only among two or more prints."""
    return np.asarray(np.ptp(settings, axis=0) == 0) if len(settings) > 1 else np.zeros(settings.shape[1], dtype=bool)


def _distances(products: Array) -> Array:
    own = np.diag(products)
    return np.asarray(own[:, None] + own - 2 * products)


def _counts(load: Codes, cell: Codes) -> Codes:
    """Return the prints of each load and cell, shape (loads, cells)."""
    counts = np.zeros((int(load.max(initial=0)) + 1, int(cell.max(initial=0)) + 1), dtype=np.int64)
    np.add.at(counts, (np.maximum(load, 0), cell), 1)
    return counts


def _pairs(counts: Codes) -> int:
    return int(np.maximum(counts - 1, 0).sum())
