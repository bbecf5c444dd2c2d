"""The study as typed, frozen values: what ``study.toml`` may hold, with its documented defaults.

Field names equal the keys of the file, so that a problem found here can be pointed at in the file.
Rules that need more than one value (low below high, limits around the levels) are in ``doe.study.read``,
which lists every problem at once.
"""

import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
"""A factor's or response's name: a letter, then letters, digits and underscores; at most 40, lower case."""
Identifier = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,39}$")]
"""A study's, printer's or instrument's identifier: letters, digits and hyphens; at most 40."""
Text = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f]*$")
]
"""One line of text: no control characters, which neither a workbook nor a table on paper can hold."""
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Part(BaseModel):
    """Base of every part of a study: frozen, and closed to unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Header(Part):
    """``[study]``: what is qualified and how sure the answer must be."""

    id: Identifier
    title: Text
    material: Text
    family: Text
    confidence: Annotated[float, Field(ge=0.5, le=0.999)] = 0.95
    conformance: Annotated[float, Field(ge=0.5, le=0.999)] = 0.90
    simulated: bool = False
    """True where the record comes from a simulation; printed wherever results are shown."""


class Factor(Part):
    """``[[factors]]``: something that is set on purpose; numeric (unit, low, high) or categorical (levels)."""

    name: Name
    unit: Text | None = None
    low: Number | None = None
    high: Number | None = None
    increment: Positive | None = None
    """Finest step that can be set, in the factor's unit."""
    levels: tuple[Text, ...] | None = None
    change: Literal["print", "load"] = "print"
    """``load`` for what is fixed while one drying load is printed."""
    setpoint_sd: NotNegative = 0.0
    """Spread of the actual value about the setpoint, in the factor's unit; 0 where unknown."""

    @property
    def is_numeric(self) -> bool:
        """Whether the factor has a scale (and not named levels)."""
        return self.levels is None

    @property
    def centre(self) -> float:
        """Middle of the range, natural units; numeric factors only."""
        assert self.low is not None and self.high is not None
        return (self.low + self.high) / 2

    @property
    def half_range(self) -> float:
        """Half of the range, natural units; numeric factors only."""
        assert self.low is not None and self.high is not None
        return (self.high - self.low) / 2

    @property
    def display_unit(self) -> str:
        """The unit as people write it: ``°C`` for ``degC``; empty for a categorical factor."""
        return {"degC": "°C", None: ""}.get(self.unit, self.unit or "")


class Response(Part):
    """``[[responses]]``: something that is measured, graded or passed, with its requirement."""

    name: Name
    unit: Text | None = None
    kind: Literal["measured", "graded", "pass_fail"] = "measured"
    per: Literal["coupon", "print"] = "coupon"
    coupons: Annotated[int, Field(ge=1, le=100)] = 1
    """Coupons per print; 1 where ``per`` is ``print``."""
    formula: Literal["tensile"] | None = None
    """Where given, the sheet asks for force and dimensions and the value is computed."""
    grades: tuple[int, ...] | None = None
    at_least: Number | None = None
    at_most: Number | None = None
    requirement_on: Literal["coupon", "print mean"] = "coupon"
    transform: Literal["none", "log"] = "none"
    method: Text | None = None

    @property
    def display_unit(self) -> str:
        """The unit as people write it; empty for graded and pass-fail responses."""
        return {"degC": "°C", None: ""}.get(self.unit, self.unit or "")


class Model(Part):
    """``[model]``: the declared model, fixed before the data."""

    terms: Literal["main", "interactions", "quadratic"] | tuple[Text, ...] = "quadratic"


class Check(Part):
    """``[[printers.checks]]``: readings of a reference probe at several setpoints."""

    factor: Name
    set: tuple[Number, ...]
    actual: tuple[Number, ...]
    instrument: Identifier | None = None
    date: datetime.date | None = None


class Printer(Part):
    """``[[printers]]``: one machine with its limits and its checks."""

    name: Identifier
    limits: dict[Name, tuple[Number, Number]] = Field(default_factory=dict)
    z_closer: Literal["negative", "positive"] | None = None
    """Which sign of Z offset brings the nozzle closer."""
    checks: tuple[Check, ...] = ()


class Instrument(Part):
    """``[[instruments]]``: what was measured with, and until when its calibration holds."""

    id: Identifier
    kind: Text
    due: datetime.date | None = None


class Constraint(Part):
    """``[[constraints]]``: sum(coef * factor) <= limit, natural units, numeric factors."""

    coef: dict[Name, Number]
    limit: Number


class Oven(Part):
    """``[oven]``: where the filament is dried."""

    temperature: Number | None = None
    """Degrees Celsius."""
    spools: Annotated[int, Field(ge=1)] = 1


class Budget(Part):
    """``[budget]``: how much may be spent."""

    prints: Annotated[int, Field(ge=1, le=2000)] | None = None
    loads: Annotated[int, Field(ge=1, le=500)] | None = None


class Study(Part):
    """One study: the protocol of a qualification."""

    header: Header = Field(alias="study")
    factors: Annotated[tuple[Factor, ...], Field(min_length=1, max_length=12)]
    responses: Annotated[tuple[Response, ...], Field(min_length=1, max_length=20)]
    model: Model = Model()
    conditions: dict[Text, Text] = Field(default_factory=dict)
    printers: tuple[Printer, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    constraints: tuple[Constraint, ...] = ()
    oven: Oven = Oven()
    budget: Budget = Budget()

    @property
    def load_factors(self) -> tuple[Factor, ...]:
        """The factors that are fixed while one drying load is printed (whole-plot factors)."""
        return tuple(factor for factor in self.factors if factor.change == "load")
