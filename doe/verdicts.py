"""Verdicts: what every stage says when the data cannot support an answer, or support it only in part."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Verdict:
    """A named finding with its cause and the one thing to do about it."""

    name: str
    """Short and stable, lower case: ``load variance not resolvable``."""
    cause: str
    """What in the plan or the data leads to it, with the figures."""
    next_step: str
    """What the engineer should do, one sentence."""
    about: str = ""
    """The response, factor or print it concerns; empty for the study as a whole."""

    def as_data(self) -> dict[str, str]:
        """Return the verdict as plain data for JSON."""
        return {"name": self.name, "about": self.about, "cause": self.cause, "next_step": self.next_step}
