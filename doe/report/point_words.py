"""What the words for the points of a plan mean."""

from doe.design.plan import Design

_POINTS = {
    "corner": "every factor at its low or its high setting",
    "edge": "one factor or more at an end of the range",
    "axial": "one factor away from the middle, the others in it",
    "centre": "all in the middle",
    "inside": "several factors away from the middle, none at an end",
    "reference": "a setting that the study names",
}


def points_explained(design: Design) -> str:
    """Return a sentence on those of the words that a plan has; empty where it has none of them."""
    present = set(design.runs["point"])
    said = "; ".join(f"{word}: {meaning}" for word, meaning in _POINTS.items() if word in present)
    return f"Point, of the factors with a range: {said}." if said else ""
