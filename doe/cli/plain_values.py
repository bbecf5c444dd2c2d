"""Values of the command line, taken plainly where that can be: a command that is refused then loads no validation library."""

import os
import re
from collections.abc import Iterable
from enum import Enum
from pathlib import Path
from typing import Any

from typer import BadParameter

_IN_WORDS = (
    (r"Value error, (.*)", r"\1"),
    (r"Input should be a valid integer.*", "'{typed}' is not a whole number."),
    (r"Input should be a valid number.*", "'{typed}' is not a number."),
    (r"Input should be greater than or equal to (\S+)", r"{typed} is too small: \1 or more is allowed."),
    (r"Input should be less than or equal to (\S+)", r"{typed} is too large: \1 or less is allowed."),
)
_WHOLE = re.compile(r"-?[0-9]{1,15}")


class Plain:
    """What the parser asks to turn one argument into a value; whatever is not plain goes to its own conversion."""

    def __init__(self, parameter: Any) -> None:  # noqa: ANN401 - the classes belong to typer's parser
        self._given = parameter.get_runtime_param
        self._kind = parameter.type_descriptor.annotation
        self._limits = parameter.type_descriptor.parameter_info
        self._single = parameter.nargs == 1 and not parameter.multiple

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:  # noqa: ANN401
        """Return the value of what was typed, or of the default; one that is not allowed is refused in plain words."""
        if value is None or (not self._single and not value):
            return None if self._single else ()
        plain = self._plainly(value) if self._single and isinstance(self._kind, type) else None
        if plain is not None:
            return plain
        try:
            return self._given().coerce(value, param=param, ctx=ctx)
        except BadParameter as error:
            error.message = in_words(error.message, str(value))
            raise

    def _plainly(self, value: Any) -> Any:  # noqa: ANN401
        """Return the value where it is allowed and can be told without a library, else None."""
        if self._kind is Path:
            return Path(value) if isinstance(value, (str, Path)) and _needs_no_check(value) else None
        if self._kind is int and isinstance(value, str) and _WHOLE.fullmatch(value):
            value = int(value)
        elif issubclass(self._kind, Enum) and isinstance(value, str):
            value = next((one for one in self._kind if one.value == value), None)
        return value if type(value) is self._kind and self._within(value) else None

    def _within(self, value: Any) -> bool:  # noqa: ANN401
        low, high = self._limits.min, self._limits.max
        return (low is None or value >= low) and (high is None or value <= high)


def in_words(message: str, typed: str) -> str:
    """Return a refusal of the library in words that a user of the command line could have written."""
    for pattern, words in _IN_WORDS:
        found = re.fullmatch(pattern, message, flags=re.DOTALL)
        if found:
            return found.expand(words).replace("{typed}", typed)
    return message


def _needs_no_check(path: str | Path) -> bool:
    return not os.path.lexists(path) or os.access(path, os.R_OK)


def taken_plainly(parameters: Iterable[Any]) -> list[Any]:
    """Return the same arguments, each taken plainly where the parser asks for each one's conversion, as its newer versions do."""
    listed = list(parameters)
    for one in listed:
        if hasattr(one, "get_runtime_param") and "get_runtime_param" not in vars(one):
            plain = Plain(one)
            one.get_runtime_param = lambda plain=plain: plain
    return listed
