"""Names of factors or responses as people say them, in sentences of every stage."""

from collections.abc import Sequence


def spoken(name: str) -> str:
    """Return a name of the study file in words: ``drying time`` for ``drying_time``."""
    return name.replace("_", " ")


def listed(parts: Sequence[str]) -> str:
    """Return parts of a sentence as a list: ``a``, ``a and b``, ``a, b and c``."""
    return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part)
