"""What every part of a study is built of: its base, the kinds of text or numbers that it may hold."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

_STEERING = r"\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069"
Text = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500, pattern=f"^[^{_STEERING}]*$")
]
"""One line of text: no control characters, which neither a workbook nor a table on paper can hold, and none that turn the
direction of what follows, which would show another text than is there."""
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Part(BaseModel):
    """Base of every part of a study: frozen, and closed to unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
