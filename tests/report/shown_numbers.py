"""Every number of a ``recommendation.json``, and how the report must show it: the row of its table, rounded as displayed."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from doe.report import numbers
from doe.report.tables import unit, words

NOT_SHOWN = {
    "fleet.setpoints.*": "where printers reach the same, the common setpoint is the recommended value, shown as such",
    "fleet.actual.*.*": "where printers reach the same, it is the recommended value, shown as such",
    "fleet.spread.*": "the difference of two numbers that are shown; it decides how far these are rounded",
    "printers.*.set_expanded.*": "the card states the uncertainty of what is reached; this is that of the setpoint",
    "window.reaches.*.tried.*": "the table says in words where an end is the end of what was tried",
    "window.reaches.*.scale": "the setpoint error or the increment of the study file, in the table of the factors",
    "window.best_bound": "where there is a window the question does not arise",
    "window.best_estimate": "where there is a window the question does not arise",
    "window.settings": "without a window there are none",
    "window.checked": "without a window, or where all were checked, 'settings' says it",
    "locations.rows.*.places.*.at_from": "below 1 % of the draws it is not worth a word",
    "locations.rows.*.places.*.at_to": "below 1 % of the draws it is not worth a word",
    "locations.rows.*.places.*.increment": "the increment of the study file, in the table of the factors",
    "locations.rows.*.shape.point.*": "a level point far outside would only mislead",
    "locations.rows.*.shape.mean": "a level point far outside would only mislead",
    "locations.rows.*.shape.shares.*": "below 1 % of the draws it is not worth a word",
    "locations.rows.*.shape.curvatures.*.direction.*": "weights below 0.05 are left out of the name of an axis",
    "locations.rows.*.path.*.distance": "a step that is rounded to the same setting as the one before is left out",
    "locations.rows.*.path.*.settings.*": "a step that is rounded to the same setting as the one before is left out",
    "locations.rows.*.path.*.mean": "a step that is rounded to the same setting as the one before is left out",
}
"""Keys whose numbers need not be on a page, each with the reason; a number whose row is asked for below must be there anyhow."""
SAME = {
    "window.estimate": "conformance.estimate", "window.lower": "conformance.lower", "window.level": "conformance.level",
    "window.required": "conformance.required",
}  # fmt: skip
"""Numbers that are shown under another key, which must then be equal."""
_SEEN, _WEIGHT = 0.01, 0.05


@dataclass(frozen=True)
class Shown:
    """A number by its place in the file, the title of its table, and a row (or a part of one) that holds it."""

    place: str
    table: str
    row: str


def leaves(value, at=()):
    """Yield the place and value of every number."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in items:
        yield from leaves(one, (*at, str(key)))
    if isinstance(value, int | float) and not isinstance(value, bool):
        yield ".".join(at), value


def expected(data) -> list[Shown]:
    """Return how each number must be shown."""
    known = {place for place, _ in leaves(data)}
    return [one for one in _expected(data) if one.place in known]


def _expected(data) -> Iterator[Shown]:
    yield Shown("number", "", f"recommendation {data['number']}")
    yield from _settings(data)
    yield from _cards(data)
    if data["fleet"] is not None:
        yield from _fleet(data)
    yield from _promises(data)
    if data["conformance"] is not None:
        yield from _conformance(data)
    yield from _beside(data)
    if data["window"] is not None:
        yield from _window(data["window"], data["conformance"])
    if data["alternatives"] is not None:
        yield from _alternatives(data["alternatives"])
    if data["locations"] is not None:
        level = numbers.level(data["locations"]["level"])
        yield Shown("locations.level", "", f"Intervals are stated at {level} confidence")
        for place, one in enumerate(data["locations"]["rows"]):
            yield from _location(f"locations.rows.{place}", one)


def _joined(*parts):
    return " ".join(str(part) for part in parts if part != "")


def _value(value):
    return value if isinstance(value, str) else numbers.setting(value)


def _falls_short(data):
    share = data["conformance"]
    return share is not None and share["estimate"] < share["required"]


def _settings(data):
    across = data["printers"] if len(data["printers"]) <= 5 else []
    for name, one in data["settings"].items():
        levels = isinstance(one["value"], str)
        low, high = (one["interval"][0], one["interval"][-1])
        near = f"only {_value(low)}" if low == high else f"{_value(low)} to {_value(high)}"
        near = ", ".join(one["interval"]) if levels else near
        set_on = []
        for row in across:
            known = levels or row["setpoints"][name] is None or name in row["checked"] or name in row["of_load"]
            set_on.append(_value(row["setpoints"][name]) + ("" if known else "*"))
        text = _joined(words(name), unit(one["unit"]), _value(one["value"]), near, *set_on)
        places = [f"settings.{name}.value", *(f"settings.{name}.interval.{i}" for i in range(len(one["interval"])))]
        places += [f"printers.{i}.setpoints.{name}" for i in range(len(across))]
        best = "Best setting found, which does not meet the requirements"
        title = best if _falls_short(data) else "Recommended setting"
        yield from (Shown(place, title, text) for place in places)


def _cards(data):
    for i, row in enumerate(data["printers"]):
        title = f"Setpoints of printer {row['printer']}"
        title += ": best setting found, does not meet the requirements" if _falls_short(data) else ""
        for name, one in data["settings"].items():
            head = _joined(words(name), unit(one["unit"]), _value(one["value"]))
            yield Shown(f"printers.{i}.setpoints.{name}", title, f"{head} {_value(row['setpoints'][name])}")
        for name, half in row["expanded"].items():
            if half is not None:
                actual, shown = numbers.with_uncertainty(row["reaches"][name], half)
                text = f"{_value(row['setpoints'][name])} {actual} ± {shown}"
                yield from (Shown(f"printers.{i}.{key}.{name}", title, text) for key in ("reaches", "expanded"))
                times = f"times {numbers.at_place(row['coverage'][name], -1)} (JCGM"
                yield Shown(f"printers.{i}.coverage.{name}", title, times)


def _fleet(data):
    fleet, share, title = data["fleet"], data["conformance"], "One setpoint for all printers"
    apart = [name for name, spread in fleet["spread"].items() if spread > 0]
    for i, printer in enumerate(fleet["printers"]):
        reached = [numbers.at_place(fleet["actual"][i][name], numbers.place_of(fleet["spread"][name])) for name in apart]
        marks = ["‡" if printer in fleet["beyond"].get(name, ()) else "" for name in apart]
        cells = [text + mark for text, mark in zip(reached, marks, strict=True)]
        yield from (Shown(f"fleet.actual.{i}.{name}", title, _joined(printer, *cells)) for name in apart)
        if share is not None and share["common_setpoint"]:
            both = [share["common_setpoint"][printer], share["by_printer"][printer]]
            text = _joined(printer, *cells, *map(numbers.percent, both))
            yield from (Shown(f"conformance.{key}.{printer}", title, text) for key in ("common_setpoint", "by_printer"))
    for name in apart:
        text = _joined(words(name), _value(fleet["setpoints"][name]), unit(data["settings"][name]["unit"]), "(wanted")
        yield Shown(f"fleet.setpoints.{name}", title, text)


def _promises(data):
    for name, one in data["responses"].items():
        at, place = f"responses.{name}", _half_place(one["mean_interval"])
        cells = [numbers.at_place(one["mean"], place), *(numbers.interval(*one[key], place) for key in _INTERVALS)]
        head = words(name) + (f", {unit(one['unit'])}" if one["unit"] else "")
        yield from (Shown(key, "Predictions at the setting", _joined(head, *cells)) for key in _of_promise(at))
        for i, row in enumerate(one["by_printer"]):
            place = _half_place(row["mean_interval"])
            cells = [numbers.at_place(row["mean"], place), *(numbers.interval(*row[key], place) for key in _INTERVALS)]
            text = _joined(words(name), unit(one["unit"]), row["printer"], *cells)
            yield from (Shown(key, "Predictions per printer", text) for key in _of_promise(f"{at}.by_printer.{i}"))
        kept = one["tolerance"]
        if kept is not None:
            place = _half_place(one["mean_interval"])
            limits = [numbers.at_place(kept[key], place) for key in ("lower", "upper") if kept[key] is not None]
            level = numbers.level(kept["level"])
            text = _joined(words(name), unit(one["unit"]), numbers.level(kept["share"]), f"of {kept['of']}s", *limits, level)
            keys = [key for key in ("share", "level", "lower", "upper") if kept[key] is not None]
            yield from (Shown(f"{at}.tolerance.{key}", "What a share of future values will keep", text) for key in keys)


_INTERVALS = ("mean_interval", "prediction_interval")


def _half_place(limits):
    return numbers.place_of((limits[1] - limits[0]) / 2)


def _of_promise(at):
    return [f"{at}.mean", *(f"{at}.{key}.{i}" for key in _INTERVALS for i in (0, 1))]


def _predicted(share):
    return numbers.percent(min(max(share, 1e-6), 1 - 1e-6))


def _bound(share):
    return numbers.percent_bound(min(max(share, 1e-6), 1 - 1e-6))


def _conformance(data):
    share, title = data["conformance"], "Conformance"
    yield Shown("conformance.estimate", title, f"estimate {_predicted(share['estimate'])}")
    lower = f"lower bound, one-sided {numbers.level(share['level'])} {_bound(share['lower'])}"
    yield from (Shown(f"conformance.{key}", title, lower) for key in ("level", "lower"))
    yield Shown("conformance.required", title, f"required {numbers.level(share['required'])}")
    for name, value in share["by_response"].items():
        at = [f"conformance.by_response.{name}"]
        text = f"{words(name)} alone {_predicted(value)}" if len(share["by_response"]) > 1 else f"estimate {_predicted(value)}"
        if data["window"] is not None:
            assert data["window"]["by_response"][name] == value
            at.append(f"window.by_response.{name}")
        yield from (Shown(one, title, text) for one in at)
    if share["correlated"] is not None:
        yield Shown("conformance.correlated", title, f"as in these prints {_predicted(share['correlated'])}")
    for names, value in share["correlations"].items():
        text = f"{words(names).replace(', ', ' with ')} {numbers.at_place(value, -2)}"
        yield Shown(f"conformance.correlations.{names}", title, text)
    for name, value in share["by_printer"].items():
        yield Shown(f"conformance.by_printer.{name}", title, f"on printer {name}, set on its own {_predicted(value)}")


def _beside(data):
    for i, one in enumerate(data["beside"]):
        cells = [_predicted(one["chance"]), f"{_bound(one['low'])} to {_predicted(one['high'])}"]
        cells += [] if one["lower"] is None else [_bound(one["lower"])]
        keys = [key for key in ("chance", "low", "high", "lower") if one[key] is not None]
        text = _joined(one["of"], *cells)
        yield from (Shown(f"beside.{i}.{key}", "Beside the conformance, at the setting", text) for key in keys)


def _window(found, share):
    yield Shown("window.quantile", "Conformance", f"posterior {100 * found['quantile']:.3g} % quantile")
    title, region = "Process window", "How much of the region passes"
    for i, one in enumerate(found["reaches"]):
        if one["low"] is None:
            continue
        mark = "" if one["has_error"] else "*"
        counts = ["none" if one[key] is None else numbers.at_place(one[key], -1) + mark for key in ("half_width", "nearer")]
        cells = [_value(one[key]) for key in ("low", "high", "recommended")]
        keys = [key for key in ("low", "high", "recommended", "half_width", "nearer") if one[key] is not None]
        text = _joined(words(one["factor"]), unit(one["unit"]), *cells, *counts)
        yield from (Shown(f"window.reaches.{i}.{key}", title, text) for key in keys)
    if found["reaches"]:
        text = f"All {found['settings']} settings" if found["complete"] else f"Of the {found['settings']} settings"
        yield Shown("window.settings", title, text)
        if not found["complete"]:
            yield Shown("window.checked", title, f"increments in it {found['checked']} were evaluated")
    high = f"bound high enough {numbers.percent(found['bound_share'])} of {found['looked_at']} settings"
    yield from (Shown(f"window.{key}", region, high) for key in ("bound_share", "looked_at"))
    yield Shown("window.estimate_share", region, f"estimate high enough {numbers.percent(found['estimate_share'])} of them")
    if found["reason"]:
        yield Shown("window.best_bound", region, f"highest bound {_bound(found['best_bound'])}")
        yield Shown("window.best_estimate", region, f"highest estimate {_predicted(found['best_estimate'])}")
        yield Shown("window.lower", region, f"bound at the recommended setting {_bound(share['lower'])}")
        yield Shown("window.estimate", region, f"estimate at the recommended setting {_predicted(share['estimate'])}")
    for i, one in enumerate(found["after"]):
        text = f"{one['loads']} {_bound(one['bound'])} {'yes' if one['bound'] >= found['required'] else 'no'}"
        title = "What confirmation prints are expected to show"
        yield from (Shown(f"window.after.{i}.{key}", title, text) for key in ("loads", "bound"))


_MODELS = {"declared": "Declared", "reduced": "Smaller, favoured by AICc", "averaged": "Weighted mean of all"}


def _alternatives(found):
    title = "What a smaller model would change"
    for i, one in enumerate(found["rows"]):
        at = f"alternatives.rows.{i}"
        near = "(near-optimal for the declared model too)" if one["near"] else "(beyond the near-optimal settings)"
        chosen = ", ".join(f"{words(name)} {_value(value)}" for name, value in one["settings"].items())
        shares = [_predicted(one[key]) for key in ("conformance", "declared_there", "at_recommended")]
        means = ", ".join(f"{words(name)} {numbers.plain(mean)}" for name, mean in one["means"].items())
        text = _joined(_MODELS[one["model"]], chosen, "" if one["model"] == "declared" else near, *shares, means)
        places = [*(f"settings.{name}" for name in one["settings"]), "conformance", "declared_there", "at_recommended"]
        places += [f"means.{name}" for name in one["means"]]
        yield from (Shown(f"{at}.{place}", title, text) for place in places)


def _on_grid(place, value, rounding):
    steps = (value - place["from_"]) / place["increment"]
    whole = {"down": math.floor(steps + 1e-6), "up": math.ceil(steps - 1e-6), "near": math.floor(steps + 0.5)}[rounding]
    return numbers.setting(place["from_"] + whole * place["increment"])


def _draws(share):
    return "all" if share == 1 else f"{min(round(100 * share), 99)} %"


def _location(at, one):
    name, mean_place = words(one["response"]), _half_place((one["mean_low"], one["mean_high"]))
    title, shown_unit = f"Where the {one['sense']} mean of {name} lies", "" if one["unit"] == "1" else unit(one["unit"])
    mean = _joined(numbers.at_place(one["mean"], mean_place), shown_unit)
    limits = numbers.interval(one["mean_low"], one["mean_high"], mean_place)
    yield Shown(f"{at}.mean", title, f"estimated best setting: {mean}")
    yield from (Shown(f"{at}.{key}", title, f"interval {limits}.") for key in ("mean_low", "mean_high"))
    for i, place in enumerate(one["places"]):
        low, high = _on_grid(place, place["low"], "down"), _on_grid(place, place["high"], "up")
        ends, median = [_value(place["from_"]), _value(place["to"])], _on_grid(place, place["median"], "near")
        near = f"only {low}" if low == high else f"{low} to {high}"
        text = _joined(words(place["factor"]), unit(place["unit"]), median, near, f"{ends[0]} to {ends[1]}")
        yield from (Shown(f"{at}.places.{i}.{key}", title, text) for key in ("median", "low", "high", "from_", "to"))
        for side, key in (("lower", "at_from"), ("upper", "at_to")):
            if place[key] >= _SEEN:
                yield Shown(f"{at}.places.{i}.{key}", title, f"at its {side} end in {_draws(place[key])}")
    if one["shape"] is not None:
        yield from _shape(at, one, shown_unit)
    yield from _path(at, one, mean_place)


def _shape(at, one, shown_unit):
    shape, title = one["shape"], f"Shape of the surface of {words(one['response'])}"
    places = {place["factor"]: place for place in one["places"]}
    ends = {name: (place["from_"], place["to"]) for name, place in places.items()}
    away = [abs(value - sum(ends[name]) / 2) / (ends[name][1] - ends[name][0]) for name, value in shape["point"].items()]
    if max(away) < 1:
        for name, value in shape["point"].items():
            text = _joined(words(name), _on_grid(places[name], value, "near"), unit(places[name]["unit"]))
            yield Shown(f"{at}.shape.point.{name}", title, text)
        yield Shown(f"{at}.shape.mean", title, _joined("mean there", numbers.plain(shape["mean"]), shown_unit))
    for kind, share in shape["shares"].items():
        if share >= _SEEN:
            yield Shown(f"{at}.shape.shares.{kind}", title, f"a {kind} in {_draws(share)}")
    for i, axis in enumerate(shape["curvatures"]):
        seen = {name: weight for name, weight in axis["direction"].items() if abs(weight) >= _WEIGHT}
        along = " ".join(f"{'+' if weight > 0 else '−'} {abs(weight):.2f} {words(name)}" for name, weight in seen.items())
        place = _half_place((axis["low"], axis["high"]))
        limits = numbers.interval(axis["low"], axis["high"], place)
        text = f"bending along {along.removeprefix('+ ')} {numbers.at_place(axis['estimate'], place)} ({limits})"
        keys = [*(f"direction.{name}" for name in seen), "estimate", "low", "high"]
        yield from (Shown(f"{at}.shape.curvatures.{i}.{key}", title, text) for key in keys)
    if shape["p_value"] is not None:
        yield Shown(f"{at}.shape.p_value", title, f"(p {numbers.p_value(shape['p_value'])})")


def _path(at, one, mean_place):
    title, before = f"The way to the {one['sense']} mean of {words(one['response'])}", set()
    for i, step in enumerate(one["path"]):
        settings = tuple(_on_grid(place, step["settings"][place["factor"]], "near") for place in one["places"])
        if settings in before:
            continue
        before.add(settings)
        text = _joined(numbers.at_place(step["distance"], -2), *settings, numbers.at_place(step["mean"], mean_place))
        places = ["distance", *(f"settings.{place['factor']}" for place in one["places"]), "mean"]
        yield from (Shown(f"{at}.path.{i}.{key}", title, text) for key in places)
