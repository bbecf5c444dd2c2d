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
    purpose: Purpose | None = None
    """``screen``: which factors matter; ``map``: where the best setting is. None: what the declared model is for."""
    prints: int | None = None
    """Of a searched plan; None: the budget's."""
    loads: int | None = None
    """Drying loads; None: the budget's, else as many as give three error degrees of freedom."""
    one_round: bool = False
    """Plan all prints now, where a third would otherwise be held back for a second round."""
    resolution: int | None = None
    centre: int | None = None
    """Centre prints; None: four where the family has them, none in a searched plan."""
    form: Form = "face"
    distance: Distance = "rotatable"
    replicates: int = 1
    seed: int = 1
