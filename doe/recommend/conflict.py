"""Which requirements stand in the way where no setting meets all of them."""

from dataclasses import dataclass, replace

import numpy as np

from doe.recommend import outlook, search
from doe.recommend.bounds import Chosen
from doe.recommend.outlook import Outlook
from doe.recommend.search import Indices


@dataclass(frozen=True)
class Alone:
    """
    One requirement by itself.

    Parameters
    ----------
    response : str
    here : float
        Estimate of the share that meets it at the recommended setting.
    best : float
        The same at the setting, of those that may be recommended, where it is met best.
    places : ndarray of shape (k,)
        That setting.
    """

    response: str
    here: float
    best: float
    places: Indices


def alone(chosen: Chosen) -> tuple[Alone, ...]:
    """
    Return every requirement by itself, the one that is met least at the recommended setting first.

    Parameters
    ----------
    chosen : Chosen
        By requirements.

    Returns
    -------
    tuple of Alone
        Each from a search of its own, the constraints and the reach of the prints as in that of the recommendation.
    """
    found = [_alone(chosen, place) for place in range(len(chosen.view.views))]
    return tuple(sorted(found, key=lambda one: one.here))


def pulled_factor(chosen: Chosen, one: Alone, other: Alone) -> int:
    """
    Return the factor that two requirements pull apart most: what each would lose with the other's value of it.

    Parameters
    ----------
    chosen : Chosen
    one, other : Alone

    Returns
    -------
    int
        Its place among the axes.
    """
    names = [view.response.name for view in chosen.view.views]
    lost = np.zeros(len(chosen.area.axes))
    for mine, its in ((one, other), (other, one)):
        view = _only(chosen.view, names.index(mine.response))
        moved = np.tile(mine.places, (len(lost), 1))
        np.fill_diagonal(moved, its.places)
        lost += mine.best - np.median(view.shares(chosen.area.coded(moved)), axis=1)
    return int(lost.argmax())


def _alone(chosen: Chosen, place: int) -> Alone:
    view, area = _only(chosen.view, place), chosen.area
    found = search.best_setting(area, view.score, outlook.generator())
    best = chosen.best if found is None else found
    here, there = (float(np.median(view.shares(area.coded(one[None])))) for one in (chosen.best, best))
    return Alone(view.views[0].response.name, here, max(here, there), best if there >= here else chosen.best)


def _only(view: Outlook, place: int) -> Outlook:
    """Return the outlook of one response."""
    return replace(
        view, views=(view.views[place],), drawn=(view.drawn[place],), future=(view.future[place],),
        requirements=(view.requirements[place],), by_printer=tuple((one[place],) for one in view.by_printer),
        seen=tuple((one[place],) for one in view.seen),
    )  # fmt: skip
