"""The study as typed, frozen values: what ``study.toml`` may hold, with its documented defaults.

Field names equal the keys of the file, so that a problem found here can be pointed at in the file.
Rules that need more than one value (low below high, limits around the levels) are in ``doe.study.rules`` and the modules
beside it; ``doe.study.read`` lists every problem at once.
"""

import datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, PrivateAttr, StringConstraints

from doe.numerics.strength import FORMULAS, Input
from doe.study.filament import Material as Material
from doe.study.names import unit_in_words
from doe.study.parts import NotNegative, Number, Positive
from doe.study.parts import Part as Part
from doe.study.parts import Text as Text

if TYPE_CHECKING:
    from doe.numerics.coding import Scale

Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
"""A factor's or response's name: a letter, then letters, digits and underscores; at most 40, lower case."""
Identifier = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,39}$")]
"""A study's, printer's or instrument's identifier: letters, digits and hyphens; at most 40."""
Orientation = Literal["X", "Y", "Z", "XY", "XZ", "YX", "YZ", "ZX", "ZY", "XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX"]
"""How a coupon lies in the printer, by ISO/ASTM 52921: the machine's axes along its longest, second and third side, in this
order, as many as are needed to tell. Z is the axis along which layers are added."""
FormulaName = Literal[
    "tensile", "nominal_strain", "flexural", "flexural_strain", "peel", "pull_off", "lap_shear", "charpy", "charpy_notched",
    "izod", "izod_notched", "tear",
]
"""What a response can be computed by: the names of :data:`doe.numerics.strength.FORMULAS`."""


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
    operator_language: Annotated[Text, Field(exclude=True)] = "en"
    """Language of the workbooks, a file of ``templates/operators``. Nothing of the protocol: it may change at any time."""


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
    scale: Literal["linear", "log", "moisture"] = "linear"
    """What the model is linear in: the value, its logarithm, or of a drying time the moisture that it takes out
    (``[material.drying]``). -1 is the low end and +1 the high end on each of them."""
    setpoint_sd: NotNegative = 0.0
    """Spread of the actual value about the setpoint, in the factor's unit; 0 where unknown."""
    reading_sd: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    """Standard deviation of the error of reading the actual value, in the factor's unit. Where it is given, the actual value is
    read at every print and trusted; absent, it is not read and setpoints count."""
    z_closer: Literal["negative", "positive"] | None = None
    """Of the Z offset alone: which sign is closer to the plate in its range, in plan, model and maps. A printer whose
    ``z_closer`` differs is set with the other sign."""

    _moisture_scale: Any = PrivateAttr(default=None)

    @property
    def is_numeric(self) -> bool:
        """Whether the factor has a scale (and not named levels)."""
        return self.levels is None

    @property
    def has_nonlinear_scale(self) -> bool:
        """Whether the model is linear in something else than the value itself."""
        return self.scale != "linear"

    @property
    def coding(self) -> "Scale":
        """Natural units to the coded scale and back; numeric only. Raises ValueError where no drying gives the scale."""
        from doe.numerics.coding import Logarithm, Scale

        assert self.low is not None and self.high is not None
        if self.scale == "moisture" and self._moisture_scale is None:
            raise ValueError(f"the study does not say how the filament dries, which the scale of {self.name} needs")
        return Scale(self.low, self.high, Logarithm() if self.scale == "log" else self._moisture_scale)

    @property
    def middle(self) -> float:
        """What is 0 in coded units, natural units: the centre, but for a scale that is not linear; numeric factors only."""
        return float(self.coding.natural(0.0)) if self.has_nonlinear_scale else self.centre

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
        """The unit as people write it (:func:`unit_in_words`); empty for a categorical factor."""
        return unit_in_words(self.unit)


class Response(Part):
    """``[[responses]]``: something that is measured, graded or passed, with its requirement."""

    name: Name
    unit: Text | None = None
    kind: Literal["measured", "graded", "pass_fail"] = "measured"
    per: Literal["coupon", "print"] = "coupon"
    coupons: Annotated[int, Field(ge=1, le=100)] = 1
    """Coupons per print; 1 where ``per`` is ``print``."""
    formula: FormulaName | None = None
    """Where given, the sheet asks for what is measured, such as force and dimensions, and the value is computed."""
    grades: tuple[int, ...] | None = None
    at_least: Number | None = None
    at_most: Number | None = None
    requirement_on: Literal["coupon", "print mean"] = "coupon"
    transform: Literal["none", "log"] = "none"
    zero_when_detached: bool = False
    """Whether what came off the bed counts as carrying no load (an adhesion): a value of zero at most; else it has none."""
    aim: Literal["maximise", "minimise", "target"] | None = None
    """What is wanted of a measured response that has no requirement; either all measured responses have an aim or none."""
    worthless_below: Number | None = None
    """With an aim: up to here a predicted mean is worth nothing, in the response's unit; to maximise, and for a target."""
    worthless_above: Number | None = None
    """With an aim: from here on a predicted mean is worth nothing, in the response's unit; to minimise, and for a target."""
    perfect_at: Number | None = None
    """With an aim: the target; else the value from which on more (to minimise: less) is of no further use."""
    shape: Annotated[float, Field(ge=0.1, le=10, allow_inf_nan=False)] = 1.0
    """Exponent of the way from worthless to perfect: 1 is a straight line, 2 wants to come close, 0.5 is content early."""
    shape_above: Annotated[float, Field(ge=0.1, le=10, allow_inf_nan=False)] | None = None
    """The same above a target; absent: as below it."""
    priority: Annotated[float, Field(ge=0.1, le=10, allow_inf_nan=False)] = 1.0
    """Weight among the responses with an aim; only the ratios matter."""
    method: Text | None = None
    instrument: Identifier | None = None
    """What it is measured with, one of the instruments: a value that was tested after its due day is in doubt."""
    orientation: Orientation | None = None
    """How its coupons lie in the printer; absent: as the plate says."""
    grader_check: Annotated[int, Field(ge=2, le=200)] | None = None
    """Of a graded response: how many prints are graded twice and blind, to see how well grades repeat."""

    @property
    def inputs(self) -> dict[str, Input]:
        """What its formula needs, by column of sheet and record, such as ``force.NAME``; empty without a formula."""
        inputs = FORMULAS[self.formula].inputs if self.formula is not None else ()
        return {f"{one.key}.{self.name}": one for one in inputs}

    @property
    def display_unit(self) -> str:
        """The unit as people write it (:func:`unit_in_words`); empty for graded and pass-fail responses."""
        return unit_in_words(self.unit)


class Model(Part):
    """``[model]``: the declared model, fixed before the data."""

    terms: Literal["main", "interactions", "quadratic"] | tuple[Text, ...] = "quadratic"


class Check(Part):
    """
    ``[[printers.checks]]``: readings of a reference probe at several setpoints.

    How well the actual values are known follows from the scatter of the readings, from ``contact``, and from what is said of
    the instrument. Defaults are common practice, no source.
    """

    factor: Name
    set: tuple[Number, ...]
    actual: tuple[Number, ...]
    instrument: Identifier | None = None
    date: datetime.date | None = None
    contact: NotNegative | None = None
    """By how much the probe may miss what it touches, as plus or minus in the factor's unit. Absent: 5 for degC (a sheathed probe
    in the bore; 2.5 with a reference block or paste), else 0."""
    repeatability: Positive | None = None
    """Standard deviation of readings that were repeated at one setpoint, where it is known; absent: from the readings' scatter
    about their line."""


class Printer(Part):
    """``[[printers]]``: one machine with its limits and its checks."""

    name: Identifier
    limits: dict[Name, tuple[Number, Number]] = Field(default_factory=dict)
    z_closer: Literal["negative", "positive"] | None = None
    """Which sign of Z offset brings the nozzle closer; limits and checks of this printer are written in this sense."""
    hot_end: Literal["lined", "all-metal"] | None = None
    """``lined`` where PTFE reaches into the heated part: it must stay below 250 degC. Who states it gives the nozzle's limits."""
    rated: Positive | None = None
    """Degrees Celsius that the hot end is rated for by its maker."""
    nozzle: Text | None = None
    """Of this printer, where it is not the one under ``[conditions]``."""
    checks: tuple[Check, ...] = ()


class Instrument(Part):
    """``[[instruments]]``: what was measured with, how well it measures, and until when its calibration holds."""

    id: Identifier
    kind: Text
    """A thermocouple whose kind names type K and class 1 or 2 has the limit of error of IEC 60584-1: 1.5 degC or 0.4 %, 2.5 degC
    or 0.75 %, the larger of the two."""
    due: datetime.date | None = None
    limit_of_error: Positive | None = None
    """By how much it may be wrong, as plus or minus in the unit of what it reads; goes before what the kind says."""
    readout: NotNegative | None = None
    """By how much what shows the value may be wrong, as plus or minus in the same unit. Absent: 1 for degC, else 0 (common
    practice, no source)."""


class Constraint(Part):
    """``[[constraints]]``: sum(coef * factor) <= limit, natural units, numeric factors."""

    coef: dict[Name, Number]
    limit: Number


class Covariate(Part):
    """
    ``[[covariates]]``: something that is not set, only written down, and may move the responses all the same.

    Hours out of the dryer, grams through the nozzle, room humidity, the date of the test. What the settings themselves cause
    is no covariate: in a model it would take their effects away.
    """

    name: Name
    unit: Text | None = None
    """Of a number; a date counts in days."""
    kind: Literal["number", "date"] = "number"
    per: Literal["print", "load"] = "print"
    """Whether it is written down once a print or once a drying load."""
    fit: bool = True
    """Whether it is part of the model, which holds where it was declared before the first sheet; false: recorded and checked."""
    method: Text | None = None
    """How it is read, for the operators."""

    @property
    def display_unit(self) -> str:
        """The unit as people write it (:func:`unit_in_words`); days for a date."""
        return "days" if self.kind == "date" else unit_in_words(self.unit)


class Reference(Part):
    """``[[references]]``: a setting that must be among the prints, such as the data sheet's or today's practice."""

    name: Text
    setting: dict[Name, Number | Text]
    """A value for every factor: natural units, or a level."""
    prints: Annotated[int, Field(ge=1, le=20)] = 1


class Plate(Part):
    """``[plate]``: where coupons are printed on the plate, and how they lie."""

    positions: Annotated[tuple[Text, ...], Field(max_length=100)] = ()
    """Names of the places, at least as many as a print has coupons; coupons change places from print to print."""
    orientation: Orientation | None = None
    """Of the coupons of every response that gives none of its own."""


class Oven(Part):
    """
    ``[oven]``: where the filament is dried.

    One load is one filling: all spools that are in at once share its drying time. The defaults are common practice,
    no source.
    """

    temperature: Number | None = None
    """Degrees Celsius."""
    spools: Annotated[int, Field(ge=1)] = 1
    """Spools that fit in at once; each feeds one printer at a time."""
    spool: Literal["unknown", "polystyrene", "ABS", "polycarbonate", "cardboard", "metal"] = "unknown"
    """What the spools are made of: it may soften before the filament does. ``unknown`` counts as the softest of these."""
    spool_softens_at: Number | None = None
    """Degrees Celsius, from the spool's maker; goes before what is known of ``spool``."""
    drying_time: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    """Hours at temperature, where no factor is the drying time; absent: 6, within the 4 to 8 of most families."""
    warm_up_minutes: Annotated[float, Field(ge=0, le=600, allow_inf_nan=False)] = 30.0
    """From closing the door until it is at temperature: 20 to 60; drying time counts from then."""
    out_hours: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] = 8.0
    """How long after it comes out of the dryer a print may still be started from a spool: about one shift for
    polyamide 12; 1 to 4 for polyamide 6 in room air, a day for ABS, days for PLA; more from a heated or dry box."""
    delayed_start: bool = False
    """Whether it can switch itself on at a set time, so that a load that went in before ends when somebody is there."""


class Budget(Part):
    """
    ``[budget]``: how much may be spent, and what prints, tests and days take.

    The defaults of what they take are common practice, no source: the middles of the ranges beside them.
    """

    prints: Annotated[int, Field(ge=1, le=2000)] | None = None
    loads: Annotated[int, Field(ge=1, le=500)] | None = None
    print_minutes: Annotated[float, Field(gt=0, le=20_160, allow_inf_nan=False)] = 150.0
    """One print: heat 5 to 15, soak 10 to 20, print 60 to 150, cool and remove 10 to 30."""
    overnight_prints: bool = False
    """Whether a print may run on while nobody is there; it is taken off in the next shift."""
    grams_per_print: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] = 40.0
    """Filament of one print with its purge: 20 to 60."""
    spool_grams: Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)] = 1000.0
    """Filament on a full spool."""
    coupon_minutes: Annotated[float, Field(ge=0, le=480, allow_inf_nan=False)] = 6.0
    """One test: measure 1 to 2, then pull 3 to 5, bend 3 to 4, strike 1 to 2 or peel 4 to 6."""
    conditioning_hours: Annotated[float, Field(ge=0, le=10_000, allow_inf_nan=False)] = 0.0
    """From taking a print off until it may be tested; 0: as printed; 88 is ISO 291's least."""
    contingency: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.15
    """Share that is added for prints that must be made again: 0.10 to 0.20."""
    hours_per_day: Annotated[float, Field(ge=1, le=24, allow_inf_nan=False)] = 8.0
    """Hours of a day in which somebody is there to load, start and take off."""
    shift_starts: Annotated[float, Field(ge=0, lt=24, allow_inf_nan=False)] = 8.0
    """Hour of the day at which they begin: 8, or 6.5 for half past six."""
    start: datetime.date | None = None
    """First day; without it days have numbers and no dates, and none of them is free."""
    weekends: bool = False
    """Whether Saturdays and Sundays are worked; counts where there is a start."""


class Export(Part):
    """``[exports.prints]`` and ``[exports.coupons]``: how a table that a test machine exports is read by ``doe collect``."""

    identifier: Text | None = None
    """Heading of the column with the prints' or coupons' identifiers; absent: as on the sheet."""
    columns: dict[Text, Text] = Field(default_factory=dict)
    """Column of the record -> heading in the table: ``"force.z_strength" = "Fmax"``. Absent ones: as in the record or on the
    sheet."""
    separator: Literal[",", ";", "\t", "|"] = ","
    decimal: Literal[".", ","] | None = None
    """Decimal sign; absent: either, and 1.234 or 1,234 is refused, since it may be a thousand."""
    encoding: Literal["utf-8", "cp1252", "utf-16"] = "utf-8"
    lines_below_headings: Annotated[int, Field(ge=0, le=20)] = 0
    """Lines between the headings and the first result, such as one of units."""


class Exports(Part):
    """``[exports]``: tables that test machines export. Nothing of the protocol: it may change at any time."""

    prints: Export = Export()
    coupons: Export = Export()


class Study(Part):
    """One study: the protocol of a qualification."""

    header: Header = Field(alias="study")
    factors: Annotated[tuple[Factor, ...], Field(min_length=1, max_length=12)]
    responses: Annotated[tuple[Response, ...], Field(min_length=1, max_length=20)]
    material: Material = Material()
    model: Model = Model()
    conditions: dict[Text, Text] = Field(default_factory=dict)
    printers: tuple[Printer, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    constraints: tuple[Constraint, ...] = ()
    references: tuple[Reference, ...] = ()
    plate: Plate = Plate()
    oven: Oven = Oven()
    budget: Budget = Budget()
    covariates: Annotated[tuple[Covariate, ...], Field(max_length=8)] = ()
    exports: Annotated[Exports, Field(exclude=True)] = Exports()

    @property
    def coupons_per_print(self) -> int:
        """How many coupons each print yields: the most that a response asks for; 0 where none is per coupon."""
        return max((response.coupons for response in self.responses if response.per == "coupon"), default=0)

    @property
    def load_factors(self) -> tuple[Factor, ...]:
        """The factors that are fixed while one drying load is printed (whole-plot factors)."""
        return tuple(factor for factor in self.factors if factor.change == "load")

    def model_post_init(self, context: object) -> None:  # noqa: ARG002
        """Tell the factor that is modelled by the moisture how the filament dries."""
        for factor in self.factors:
            if factor.scale == "moisture":
                from doe.study.nonlinear_scales import moisture_scale_of

                factor._moisture_scale = moisture_scale_of(self.material, self.oven, factor)
