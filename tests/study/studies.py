"""Study files that the tests of this folder start from."""

WHOLE = """\
[study]
id = "pa12cf-clip"
title = "Clip for the door frame"
material = "PA12-CF, black"
family = "PA-CF"
confidence = 0.95
conformance = 0.90

[[factors]]
name = "nozzle_temperature"
unit = "degC"
low = 255
high = 285
increment = 1
change = "print"
setpoint_sd = 2.0

[[factors]]
name = "bed_temperature"
unit = "degC"
low = 60
high = 80
increment = 1

[[factors]]
name = "drying_time"
unit = "h"
low = 2
high = 10
increment = 0.5
change = "load"

[[factors]]
name = "bed_surface"
levels = ["glass, glue stick", "textured sheet"]
change = "print"

[[responses]]
name = "z_strength"
unit = "MPa"
kind = "measured"
per = "coupon"
coupons = 5
formula = "tensile"
at_least = 27.0
requirement_on = "coupon"
transform = "none"
method = "ISO 527-2, type 1BA, upright"

[[responses]]
name = "bed_grade"
kind = "graded"
grades = [0, 1, 2, 3, 4, 5]
per = "print"
at_least = 4

[[responses]]
name = "seal"
kind = "pass_fail"
per = "print"

[model]
terms = "quadratic"

[conditions]
fan = "off"
print_speed = "60 mm/s"
nozzle = "hardened steel, 0.6 mm"
profile = "name or hash of the slicing profile"

[[printers]]
name = "A"
limits = { nozzle_temperature = [0, 300] }
z_closer = "negative"
[[printers.checks]]
factor = "nozzle_temperature"
set = [250, 265, 280]
actual = [244.1, 258.6, 273.5]
instrument = "TC-03"

[[printers]]
name = "B"
limits = { nozzle_temperature = [0, 290], bed_temperature = [0, 100] }

[[instruments]]
id = "TC-03"
kind = "thermocouple, type K class 1"
due = 2027-03-31

[[constraints]]
coef = { nozzle_temperature = 1.0, bed_temperature = 1.0 }
limit = 360

[oven]
temperature = 80
spools = 2

[budget]
prints = 30
loads = 6
"""
"""A study that uses every table, after the example of the project's design document."""


def changed(old: str, new: str, text: str = WHOLE) -> str:
    """Return the study with the first occurrence of a passage replaced."""
    assert old in text, f"the study does not hold {old!r}"
    return text.replace(old, new, 1)
