"""What the commands that plan may be told, in words for somebody who has read ``doe help walk-through``."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

SIZE = "How many, and what for"
INSTEAD = "Instead of a plan"
NAMED = "A kind of plan by name (most studies need none of these)"
OTHER_ROUNDS = "Another kind of round (most studies need none of these)"


class Kind(StrEnum):
    """Families of plans."""

    factorial = "factorial"
    fractional = "fractional"
    plackett_burman = "plackett-burman"
    definitive_screening = "definitive-screening"
    central_composite = "central-composite"
    box_behnken = "box-behnken"
    d_optimal = "d-optimal"
    i_optimal = "i-optimal"
    compound = "compound"


class Purpose(StrEnum):
    """What the prints are for."""

    screen = "screen"
    map = "map"


class Form(StrEnum):
    """Forms of a central composite plan."""

    face = "face"
    circumscribed = "circumscribed"
    inscribed = "inscribed"


class Distance(StrEnum):
    """Choices of the axial distance."""

    rotatable = "rotatable"
    orthogonal = "orthogonal"


class Round(StrEnum):
    """Kinds of further rounds."""

    fold_over = "fold-over"
    axial = "axial"
    optimal = "optimal"
    ascent = "ascent"


PurposeOption = Annotated[
    Purpose | None,
    typer.Option(
        rich_help_panel=SIZE,
        help="screen: find which settings matter. map: find where the best setting is. Without it, what the model in study.toml "
        "is for.",
    ),
]
Prints = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=2000,
        metavar="N",
        rich_help_panel=SIZE,
        help="Number of prints; what [budget] in study.toml says without it.",
    ),
]
Loads = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=500,
        metavar="N",
        rich_help_panel=SIZE,
        help="Number of drying loads, each dried at one go; what [budget] in study.toml says without it.",
    ),
]
OneRound = Annotated[
    bool,
    typer.Option(
        "--one-round",
        rich_help_panel=SIZE,
        help="Plan all prints now. Without it, a map of 36 prints or more keeps a third of them for a second round around "
        "the first answer.",
    ),
]
Compare = Annotated[
    bool,
    typer.Option("--compare", rich_help_panel=INSTEAD, help="Show several plans side by side, and write nothing."),
]
Candidate = Annotated[
    list[str] | None,
    typer.Option(
        metavar="PLAN",
        rich_help_panel=INSTEAD,
        help="A plan to compare: a size as PRINTS/LOADS (30/8), a kind of plan, or both ('compound 24/6'). Give it once for "
        "each plan.",
    ),
]
Pilot = Annotated[
    bool,
    typer.Option(
        "--pilot",
        rich_help_panel=INSTEAD,
        help="Plan four to eight prints at the corners of the ranges, in one drying load, to see whether they can be "
        "printed at all.",
    ),
]
Reprint = Annotated[
    bool,
    typer.Option(
        "--reprint",
        rich_help_panel=INSTEAD,
        help="Plan anew the prints that were recorded as lost or skipped, on new drying loads.",
    ),
]
Adopt = Annotated[
    Path | None,
    typer.Option(
        "--from",
        metavar="FILE",
        rich_help_panel=INSTEAD,
        help="Take over a plan or an experiment made elsewhere: a CSV file with one row a print, one column a factor (the actual"
        " values wanted, in the sense of the factor's range; not what a printer displays), and load and printer.",
    ),
]
Replace = Annotated[
    bool,
    typer.Option("--replace", help="Throw away the plan that is there, and make another; only before the first 'doe sheet'."),
]
Seed = Annotated[
    int | None,
    typer.Option(
        min=0,
        metavar="N",
        help="Number that starts the random choices: with the same one the same plan comes out. Without it, a new one is drawn.",
    ),
]
KindOption = Annotated[
    Kind | None,
    typer.Option(
        metavar="KIND",
        rich_help_panel=NAMED,
        help="Without it, the kind that suits purpose and budget. Searched by computer, for any number of prints: compound, "
        "d-optimal (sharpest coefficients), i-optimal (sharpest predictions). From books: factorial (all corners), "
        "fractional (some of the corners), plackett-burman, definitive-screening, central-composite, box-behnken.",
    ),
]
Resolution = Annotated[
    int | None,
    typer.Option(
        min=3,
        max=9,
        metavar="N",
        rich_help_panel=NAMED,
        help="With fractional, how well effects are told apart, at the least. At 3 the effect of a factor may be mixed up with "
        "one of two factors together, at 4 it is not, at 5 these are told apart from each other too.",
    ),
]
Centre = Annotated[
    int | None,
    typer.Option(
        min=0,
        max=50,
        metavar="N",
        rich_help_panel=NAMED,
        help="Number of prints with every factor in the middle of its range; without it 4 in a kind from books, "
        "0 in a searched one.",
    ),
]
FormOption = Annotated[
    Form,
    typer.Option(
        rich_help_panel=NAMED,
        help="With central-composite, where prints that vary one factor alone lie: face: at the ends of the ranges; "
        "circumscribed: outside of the corners; inscribed: at the ends, the corners drawn in.",
    ),
]
DistanceOption = Annotated[
    Distance,
    typer.Option(
        rich_help_panel=NAMED,
        help="With the forms circumscribed and inscribed, how far out these lie: rotatable: predictions are as sharp in every "
        "direction; orthogonal: coefficients of squares do not depend on each other.",
    ),
]
Replicates = Annotated[
    int,
    typer.Option(
        min=1,
        max=20,
        metavar="N",
        rich_help_panel=NAMED,
        help="How often a kind from books is printed, each time from the start.",
    ),
]

RoundOption = Annotated[
    Round | None,
    typer.Option(
        metavar="KIND",
        rich_help_panel=OTHER_ROUNDS,
        help="Without it, prints around the recommended setting. optimal: prints that sharpen the model most, in the whole "
        "ranges. fold-over: the first prints mirrored, to tell effects apart that a fraction left mixed up. axial: prints that "
        "vary one factor alone, to turn corners into a map. ascent: prints on a line along which a response rises fastest.",
    ),
]
MorePrints = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Number of prints; without it, what is left of [budget] in study.toml."),
]
MoreLoads = Annotated[
    int | None,
    typer.Option(min=1, metavar="N", help="Number of new drying loads; without it, what is left of the budget, or 3."),
]
Width = Annotated[
    float | None,
    typer.Option(
        metavar="SHARE",
        help="How far around the recommended setting to print, to each side, as a share of half of each range: with 0.4 (the "
        "value without it) a range of 20 degrees gives 4 to each side.",
    ),
]
Factors = Annotated[
    str | None,
    typer.Option(
        metavar="NAMES",
        rich_help_panel=OTHER_ROUNDS,
        help="With fold-over and axial, the factors that it is done for, separated by commas; all of them without it.",
    ),
]
AxialDistance = Annotated[
    float | None,
    typer.Option(
        metavar="SHARE",
        rich_help_panel=OTHER_ROUNDS,
        help="With axial, how far from the middle, as a share of half of each range; 1 (the ends) without it.",
    ),
]
FurtherTerms = Annotated[
    str | None,
    typer.Option(
        metavar="TERMS",
        rich_help_panel=OTHER_ROUNDS,
        help="With optimal, terms that the model shall have besides, such as 'z_offset^2, z_offset * drying_time'.",
    ),
]
Followed = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        rich_help_panel=OTHER_ROUNDS,
        help="With ascent, the response that is followed, such as z_strength.",
    ),
]
ReplaceRound = Annotated[
    bool,
    typer.Option("--replace", help="Throw away the planned round and make another; only before its 'doe sheet'."),
]
