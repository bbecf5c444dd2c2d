import dataclasses
import math

from doe.recommend.bending import Curvature, PathStep, Shape
from doe.recommend.location import FactorPlace, Location, Locations
from doe.report import location

NOZZLE = FactorPlace("nozzle_temperature", "°C", 279.31, 268.4, 285.0, 255.0, 285.0, 0.0, 0.41, 1.0)
DRYING = FactorPlace("drying_time", "h", 9.6, 7.9, 10.2, 4.0, 12.0, 0.004, 0.0, 0.5)
AXES = (
    Curvature({"nozzle_temperature": 0.999, "drying_time": -0.04}, -5.7906, -6.124, -5.484, "falls to both sides"),
    Curvature({"nozzle_temperature": 0.04, "drying_time": 0.999}, -0.41, -1.02, 0.21, "not known"),
)
SHAPE = Shape(
    {"nozzle_temperature": 283.0, "drying_time": 9.4}, True, 28.14, "maximum", {"maximum": 0.83, "minimum": 0.0, "saddle": 0.17},
    AXES, 0.214, True,
)
PATH = (
    PathStep(0.0, {"nozzle_temperature": 270.0, "drying_time": 8.0}, 26.113),
    PathStep(1.05, {"nozzle_temperature": 285.0, "drying_time": 9.3}, 28.04),
)
PLACE = Location(
    "z_strength", "MPa", "highest", (NOZZLE, DRYING), {"1 nozzle_temperature + 5 drying_time at most 340": 0.12}, 28.13, 27.42,
    28.86, {"bed_surface": "glass, glue stick"}, ("bed_temperature",), SHAPE, PATH,
)
FOUND = Locations((PLACE,), {"warp": "it is to be neither high nor low but between limits or at a target"}, 0.95)


def test_places_are_rounded_outwards_to_what_can_be_set():
    table = location.place_table(PLACE, 0.95)
    assert table.title == "Where the highest mean of z strength lies"
    assert table.rows == (
        ("nozzle temperature", "°C", "279", "268 to 285", "255 to 285", "at its upper end in 41 % of draws"),
        ("drying time", "h", "9.5", "7.5 to 10.5", "4 to 12", ""),
    )
    assert "The predicted mean at the estimated best setting: 28.13 MPa, 95 % interval 27.42 to 28.86." in table.note
    assert "On the constraint 1 nozzle temperature + 5 drying time at most 340 in 12 % of draws." in table.note
    assert "Held as recommended: bed surface glass, glue stick." in table.note
    assert "Not part of the model of this response: bed temperature." in table.note


def test_an_interval_on_the_grid_is_not_widened():
    exact = dataclasses.replace(NOZZLE, low=255.3 + 1e-12, high=270.0, from_=255.3, increment=0.1, at_from=1.0)
    table = location.place_table(dataclasses.replace(PLACE, places=(exact,)), 0.95)
    assert table.rows[0][3] == "255.3 to 270"
    assert table.rows[0][5] == "at its lower end in all and at its upper end in 41 % of draws"


def test_nearly_all_draws_are_not_all():
    end = dataclasses.replace(NOZZLE, at_to=0.9996)
    assert "in 99 % of draws" in location.place_table(dataclasses.replace(PLACE, places=(end,)), 0.95).rows[0][5]


def test_shape_says_what_is_known():
    facts = dict(location.shape_table(PLACE, 0.95).rows)
    assert facts["level point"] == "nozzle temperature 283 °C, drying time 9.5 h: inside of what was looked at"
    assert facts["mean there"] == "28.14 MPa"
    assert facts["kind"] == "a maximum in 83 %, a saddle in 17 % of draws; by the estimates a maximum"
    assert facts["bending along 1.00 nozzle temperature"] == "−5.79 (−6.12 to −5.48): falls to both sides"
    assert facts["bending along 1.00 drying time"] == "−0.41 (−1.02 to 0.21): its sign is not known"
    assert facts["at the recommended setting"] == "the mean may be level there: small moves need not change it (p 0.21)"


def test_shape_that_leaves_the_ranges_or_is_not_tested():
    shape = dataclasses.replace(SHAPE, inside=False, p_value=None, may_be_level=None)
    facts = dict(location.shape_table(dataclasses.replace(PLACE, shape=shape), 0.95).rows)
    assert facts["level point"].endswith("outside of what was looked at, so no setting to print")
    assert facts["at the recommended setting"].startswith("not tested: there are too few drying loads")
    steep = dataclasses.replace(SHAPE, p_value=0.0004, may_be_level=False)
    facts = dict(location.shape_table(dataclasses.replace(PLACE, shape=steep), 0.95).rows)
    assert "is not level there" in facts["at the recommended setting"] and "(p < 0.001)" in facts["at the recommended setting"]
    ridge = dataclasses.replace(SHAPE, point=dict.fromkeys(SHAPE.point, math.nan), mean=math.nan)
    assert dict(location.shape_table(dataclasses.replace(PLACE, shape=ridge), 0.95).rows)["level point"].startswith("none")
    bent = dataclasses.replace(SHAPE, point={**SHAPE.point, "drying_time": math.nan})
    facts = dict(location.shape_table(dataclasses.replace(PLACE, shape=bent), 0.95).rows)
    assert "no setting stands for it" in facts["level point"]


def test_the_way_there():
    table = location.path_table(PLACE)
    assert table.columns == ("Distance", "nozzle temperature, °C", "drying time, h", "Predicted mean, MPa")
    assert table.rows == (("0.00", "270", "8", "26.11"), ("1.05", "285", "9.5", "28.04"))


def test_tables_without_rows_are_left_out():
    titles = [table.title for table in location.location_tables(FOUND)]
    assert titles == [
        "Where the highest mean of z strength lies", "Shape of the surface of z strength",
        "The way to the highest mean of z strength", "Responses without a place of the best mean",
    ]
    bare = dataclasses.replace(PLACE, shape=None, path=(), unit="1")
    tables = location.location_tables(Locations((bare,), {}, 0.95))
    assert [table.title for table in tables] == ["Where the highest mean of z strength lies"]
    assert "best setting: 28.13, 95 %" in tables[0].note


def said_of(shape, sense="highest"):
    table = location.shape_table(dataclasses.replace(PLACE, shape=shape, sense=sense), 0.95)
    assert table.rows[0][0] == "what to do with it"
    return table.rows[0][1]


def test_the_first_line_of_a_shape_says_what_to_do_with_it():
    assert said_of(SHAPE).startswith("nothing: these data leave open what kind of surface it is")
    sure = dataclasses.replace(SHAPE, shares={"maximum": 0.97, "minimum": 0.0, "saddle": 0.03})
    assert said_of(sure).startswith("the mean is highest at the level point and gets worse to every side")
    assert said_of(dataclasses.replace(sure, inside=False)).startswith("the highest point lies beyond what was looked at")
    assert said_of(sure, "lowest").startswith("it has no lowest point within itself")
    saddle = dataclasses.replace(SHAPE, shares={"maximum": 0.0, "minimum": 0.0, "saddle": 1.0})
    assert said_of(saddle).startswith("it has no highest point within itself")
