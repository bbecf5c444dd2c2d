"""What the engineer asks of the planner; every part has a default."""

from dataclasses import dataclass
from typing import Literal

Purpose = Literal["screen", "map"]
Kind = Literal[
    "factorial",
    "fractional",
    "plackett-burman",
    "definitive-screening",
    "central-composite",
    "box-behnken",
    "d-optimal",
    "i-optimal",
    "compound",
]
Form = Literal["circumscribed", "inscribed", "face"]
Distance = Literal["rotatable", "orthogonal"]

OPTIMAL: tuple[Kind, ...] = ("d-optimal", "i-optimal", "compound")
"""Kinds whose settings are searched for; they take any number of prints."""


@dataclass(frozen=True)
class PlanRequest:
    """What the engineer asked of the planner; None leaves the choice to it."""

    kind: Kind | None = None
    """Of plan; None: a searched one."""
    purpose: Purpose | None = None
    """``screen``: which factors matter; ``map``: where the best setting is. None: what the declared model is for."""
    prints: int | None = None
    """Of a searched plan; None: the budget's."""
    loads: int | None = None
    """Drying loads; None: the budget's, else as many as give three error degrees of freedom."""
    one_round: bool = False
    """Plan all prints now, where a third would otherwise be held back for a second round."""
    resolution: int | None = None
    """Least of a fraction; None: V where the model has products, else IV."""
    centre: int | None = None
    """Centre prints; None: four where the family has them, none in a searched plan."""
    form: Form = "face"
    """Of a central composite plan: where its axial points stand."""
    distance: Distance = "rotatable"
    """What their distance from the centre is chosen for, unless they stand on the faces."""
    replicates: int = 1
    """How often a named family is printed, its centre prints apart."""
    seed: int = 1
    """Of the search, of the loads and printers, and of the order."""
