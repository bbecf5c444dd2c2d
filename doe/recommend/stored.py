"""A recommendation read back from ``recommendation.json``, the inverse of ``doe.recommend.results.as_data``."""

from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter, ValidationError

from doe.recommend.results import Recommendation, as_data

__all__ = ["from_data"]


def from_data(data: Mapping[str, Any]) -> Recommendation | None:
    """
    Return the recommendation that was stored as plain data.

    Parameters
    ----------
    data : mapping
        From the JSON of ``as_data``, which keeps every digit.

    Returns
    -------
    Recommendation or None
        None for data that are not all that this version would store: it is computed anew then.
    """
    try:
        listed = {name: [{key: value, **row} for value, row in data[name].items()] for name, key in _KEYED.items()}
        found = TypeAdapter(Recommendation).validate_python({**data, **listed})
    except (AttributeError, KeyError, TypeError, ValidationError):
        return None
    return found if _keys(as_data(found)) == _keys(data) else None


_KEYED = {"settings": "factor", "responses": "response"}
"""Lists that are stored by a key of their rows."""


def _keys(value: object) -> object:
    """Return the names of all keys in plain data, at their places."""
    if isinstance(value, Mapping):
        return {name: _keys(one) for name, one in value.items()}
    return [_keys(one) for one in value] if isinstance(value, list | tuple) else None
