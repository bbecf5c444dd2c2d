"""Hand-made results of an invented study, to lay out: the figures are arbitrary and fit no model."""

from typing import Any

import numpy as np
import pandas as pd

from doe.design.plan import Design
from doe.model.coefficients import Coefficient, Component
from doe.model.results import Completion, Fit, ResponseFit, Summary
from doe.recommend.results import Conformance, Promise, Recommendation, Setting
from doe.record.match import Record
from doe.report.inputs import ReportInputs
from doe.study.spec import Factor, Header, Instrument, Oven, Printer, Response, Study
from doe.verdicts import Verdict

FACTORS = (
    Factor(name="nozzle_temperature", unit="degC", low=255, high=285, increment=1, setpoint_sd=2),
    Factor(name="bed_temperature", unit="degC", low=70, high=100, increment=5),
    Factor(name="drying_time", unit="h", low=2, high=10, increment=0.5, change="load"),
    Factor(name="bed_surface", levels=("glass, glue stick", "textured sheet")),
)
RESPONSES = (
    Response(name="z_strength", unit="MPa", coupons=5, at_least=27, method="tensile bar, upright"),
    Response(name="warp", unit="mm", per="print", at_most=0.8),
    Response(name="bed_grade", kind="graded", grades=(0, 1, 2, 3, 4, 5), per="print", at_least=4),
    Response(name="lid_fits", kind="pass_fail", per="print"),
)


def study(factors: tuple[Factor, ...] = FACTORS, responses: tuple[Response, ...] = RESPONSES, **header: Any) -> Study:
    """A filled polyamide that nobody sells."""
    given = {"id": "pa-x-clip", "title": "Clip in filled polyamide X", "family": "PA-CF"}
    given["material"] = "polyamide X, 15 % short fibre"
    return Study(
        header=Header(**{**given, **header}), factors=factors, responses=responses,
        conditions={"fan": "off", "nozzle": "hardened steel, 0.6 mm"},
        printers=(Printer(name="A"), Printer(name="B")), oven=Oven(temperature=80, spools=2),
        instruments=(Instrument(id="TC-03", kind="thermocouple, type K class 1"),),
    )


def design(of: Study, prints: int = 30, loads: int = 8) -> Design:
    """Prints at low, middle and high settings, in six or more loads, on two printers in turn."""
    generator = np.random.default_rng(7)
    runs: dict[str, Any] = {
        "round": 1, "order": np.arange(1, prints + 1), "print": [f"P{i:02d}A" for i in range(1, prints + 1)],
        "load": [f"L{i * loads // prints + 1:02d}C" for i in range(prints)], "printer": ["AB"[i % 2] for i in range(prints)],
        "point": [("corner", "axial", "centre")[i % 3] for i in range(prints)], "cell": np.arange(prints) // 2 + 1,
        "kind": "central-composite", "seed": 20260101,
    }
    for factor in of.factors:
        if factor.levels is not None:
            runs[f"target.{factor.name}"] = [factor.levels[i] for i in generator.integers(len(factor.levels), size=prints)]
            runs[f"set.{factor.name}"] = runs[f"target.{factor.name}"]
        else:
            wanted = factor.centre + factor.half_range * generator.integers(-1, 2, size=prints)
            runs[f"target.{factor.name}"] = wanted
            runs[f"set.{factor.name}"] = wanted + (6.0 if factor.name == "nozzle_temperature" else 0.0)
    facts = {
        "kind": "central-composite", "axial_distance": 1.0, "form": "face",
        "rounding": {factor.name: 0.25 for factor in of.factors if factor.is_numeric},
        "strata": {"prints": prints, "loads": loads, "coefficients": 14, "load_dof": 3, "print_dof": 13, "pure_error_dof": 5},
    }
    verdict = Verdict("few load error degrees of freedom", "8 loads leave 3", "plan more loads where the oven allows")
    return Design(pd.DataFrame(runs), (verdict,), facts)


def record(of: Study, plan: Design) -> Record:
    """One print detached, one lost, one off plan; a coupon broke in the grips; a value was corrected."""
    generator = np.random.default_rng(3)
    n = len(plan.runs)
    prints = pd.DataFrame({
        "print": plan.runs["print"], "round": 1, "load": plan.runs["load"], "printer": plan.runs["printer"],
        "outcome": "completed", "deviation": "", "operator": "R. T.", "printed_on": "2026-03-02", "note": "",
    })
    prints.loc[3, ["outcome", "note"]] = "detached", "corner lifted at layer 12"
    prints.loc[11, "outcome"] = "lost"
    for factor in of.factors:
        prints[f"used.{factor.name}"] = "" if factor.levels is not None else np.nan
    if of.factors[0].is_numeric:
        prints.loc[5, f"used.{of.factors[0].name}"] = 1.0
    done = (prints["outcome"] == "completed").to_numpy()
    per_coupon = [response for response in of.responses if response.per == "coupon"]
    for response in of.responses:
        if response.per == "print":
            prints[response.name] = _values(response, n, generator)
            prints.loc[~done, response.name] = "" if response.kind == "pass_fail" else np.nan
    each = per_coupon[0].coupons if per_coupon else 0
    owner = np.repeat(plan.runs["print"].to_numpy(), each)
    number = np.tile(np.arange(1, each + 1), n)
    coupons = pd.DataFrame({
        "coupon": [f"{a}-{b}" for a, b in zip(owner, number, strict=True)], "print": owner, "number": number,
        "outcome": np.where(np.repeat(done, each), "completed", ""), "deviation": "", "note": "",
    })
    for response in per_coupon:
        coupons[response.name] = np.where(np.repeat(done, each), _values(response, n * each, generator), np.nan)
    if each:
        coupons.loc[0, ["outcome", "note"]] = "broke in grips", "slipped first"
        coupons.loc[0, per_coupon[0].name] = np.nan
    corrections = pd.DataFrame([{
        "table": "coupons", "row": "P02A-3", "column": "z_strength", "old": "2.81", "new": "28.1", "who": "Q. A.",
        "when": "2026-03-09", "why": "decimal point, see test sheet",
    }])
    names = plan.runs["load"].unique()
    loads = pd.DataFrame({
        "load": names, "round": 1, "spool": [f"S{i}" for i in range(len(names))], "dried_from": "2026-03-01T20:00",
        "dried_to": "2026-03-02T04:00", "oven_reading": 80.5, "mass_before": 1210.3, "mass_after": np.nan, "note": "",
    })
    checks = pd.DataFrame([{
        "printer": "A", "factor": of.factors[0].name, "set": 270.0, "actual": 263.9, "instrument": "TC-03",
        "read_on": "2026-03-01",
    }])
    return Record(prints, coupons, loads, checks, corrections)


def _values(response: Response, n: int, generator: np.random.Generator) -> Any:
    if response.kind == "graded":
        return generator.integers(2, 6, size=n).astype(float)
    if response.kind == "pass_fail":
        return np.where(generator.random(n) < 0.8, "pass", "fail").astype(object)
    return generator.normal(27.5, 1.5, n) if response.unit == "MPa" else generator.uniform(0.2, 1.0, n)


def response_fit(of: Study, response: Response) -> ResponseFit:
    """A quadratic model's table with fractional degrees of freedom and a load variance at zero."""
    names = [factor.name for factor in of.factors]
    labels = ["intercept", *names, f"{names[0]} * {names[-1]} [glass, glue stick]", f"{names[0]}^2", "printer A"]
    coefficients = tuple(
        Coefficient(label, 27.1234 / (i * i + 1) * (-1) ** i, 0.3456, 12.4 if i % 2 else 13.0, 26.4 / (i + 1), 27.9 / (i + 1),
                    0.00002 if i == 0 else 0.0456 * i, "load" if label == "drying_time" else "print")
        for i, label in enumerate(labels)
    )
    components = (
        Component("load", 0.0, 3, 8, True, 1.83), Component("print", 0.812, 13, 28, False, None),
        Component("residual", 1.207, 111, 139, False, None),
    )
    verdicts = (
        Verdict("load variance not resolvable", "it cannot be told from zero with 3 load degrees of freedom",
                "do not read this as no load effect; the intervals keep the component", response.name),
        Verdict("lack of fit", "replicates agree better with each other than with the model: F(5, 8) = 4.1, p = 0.038",
                "look at the residuals; add the missing term in a next round before confirming", response.name),
    )
    point = {factor.name: factor.centre + 0.31 * factor.half_range for factor in of.factors if factor.is_numeric}
    return ResponseFit(
        response=response.name, unit=response.display_unit, method="REML, Kenward-Roger", level=0.95, terms=("intercept",),
        prints=28, loads=8, values=139, coefficients=coefficients, components=components, covariance=np.eye(len(labels)),
        lack_of_fit={"ss_lof": 12.3, "df_lof": 5, "ss_pe": 4.8, "df_pe": 8, "f": 4.1, "p": 0.038},
        curvature={"estimate": -0.82, "se": 0.41, "dof": 8, "p": 0.081},
        stationary={"point": point, "coded": [0.31] * len(point), "value": 29.4, "eigenvalues": [-1.9, -0.7],
                    "nature": "maximum"},
        excluded=(("P01A-1", "broke in grips"), ("P04A", "detached")), verdicts=verdicts,
    )


def fit(of: Study, exploratory: bool = False) -> Fit:
    """Every measured response fitted, the others counted at three settings."""
    measured = tuple(response_fit(of, one) for one in of.responses if one.kind == "measured")
    settings = [", ".join(f"{factor.name} {at}" for factor in of.factors) for at in ("low", "middle", "high")]
    summaries = tuple(
        Summary(one.name, one.kind, tuple(
            {"setting": setting, "values": 4, "meets": 3,
             "counts": {"3": 1, "4": 3} if one.kind == "graded" else {"fail": 1, "pass": 3}}
            for setting in settings
        ))
        for one in of.responses if one.kind != "measured"
    )
    failure = {"print": "P04A", "printer": "B", "load": "L01C", "outcome": "detached", "setting": settings[0]}
    return Fit(
        of.header.id, exploratory, of.header.simulated, measured, summaries,
        Completion({"completed": 28, "detached": 1, "lost": 1}, (failure,)),
        (Verdict("failed prints", "1 of 30 prints failed (P04A)", "look at its setting before trusting one near it"),), {},
    )


def recommendation(of: Study, printers: tuple[str, ...] = ("A", "B")) -> Recommendation:
    """A setting off the middle, shown for strength and not for warp."""
    settings = tuple(
        Setting(one.name, "", one.levels[0], (one.levels[0],)) if one.levels is not None
        else Setting(one.name, one.display_unit, one.centre + one.half_range / 2,
                     (one.centre, one.centre + 0.8 * one.half_range))
        for one in of.factors
    )
    of_printer = {"mean": 29.1, "mean_interval": (28.02, 30.11), "prediction_interval": (26.1, 32.2)}
    by_printer = tuple({"printer": name, **of_printer} for name in printers[:2])
    promises = tuple(
        Promise(one.name, one.display_unit, 29.0712, (28.1034, 30.0391), (26.2, 31.9), "at least 27 MPa on each coupon",
                "yes" if i == 0 else "not shown", by_printer)
        for i, one in enumerate(one for one in of.responses if one.kind == "measured")
    )
    first = of.factors[0]
    setpoints = [
        {
            "printer": name, "setpoints": {one.factor: one.value for one in settings}, "checked": [first.name],
            "reaches": {first.name: settings[0].value}, "expanded": {first.name: 5.6}, "set_expanded": {first.name: 5.7},
            "coverage": {first.name: 2.0}, "unknown": {first.name: []}, "assumed": {first.name: ["contact"]}, "beyond": {},
        }
        for name in printers
    ]
    share = Conformance(0.9412, 0.8129, 0.95, 0.90, {promise.response: 0.95 for promise in promises},
                        "Share of future prints in which one random coupon of each measured response meets its requirement.")
    verdict = Verdict("conformance not shown", "the lower bound, 81 %, stays below the 90 % that the study asks for",
                      "confirm at the setting on at least 3 new drying loads")
    return Recommendation(
        of.header.id, 1, False, of.header.simulated, settings, promises, share if promises else None, tuple(setpoints),
        tuple(one.name for one in of.responses if one.kind != "measured"), (verdict,),
        "plan confirmation prints on 3 new drying loads at this setting", {},
    )


def predict(of: Study, settings: Any) -> np.ndarray:
    """A bowl turned over, a little tilted, that every numeric factor shapes."""
    total = np.full(len(next(iter(settings.values()))), 28.5)
    for weight, factor in enumerate(of.factors, 1):
        if factor.is_numeric:
            coded = (np.asarray(settings[factor.name], dtype=float) - factor.centre) / factor.half_range
            total = total + (1.6 * coded - 1.1 * coded**2) / weight
        else:
            total = total + np.array([0.4 * factor.levels.index(str(level)) for level in settings[factor.name]])
    return total


def inputs(of: Study | None = None, **changes: Any) -> ReportInputs:
    """Everything of a report."""
    of = study() if of is None else of
    plan = changes.pop("design", design(of))
    measured = [one.name for one in of.responses if one.kind == "measured"]
    log = (
        {"time": "2026-03-01T08:00:00Z", "command": "plan", "detail": {"seed": 20260101}},
        {"time": "2026-03-03T09:30:00Z", "command": "amend", "detail": {"reason": "the fan shroud was replaced", "changes": [
            {"key": "conditions.fan", "before": "off", "after": "off, new shroud"},
            {"key": "budget.prints", "before": None, "after": 34},
        ]}},
    )
    given: dict[str, Any] = {
        "study": of, "design": plan, "record": record(of, plan), "fit": fit(of), "recommendation": recommendation(of),
        "predict": {name: lambda settings: predict(of, settings) for name in measured},
        "cautions": ("Hot end and bed burn: let them cool before cleaning.", "Fibre dust conducts: keep it out of electronics."),
        "log": log, "log_head": "ab" * 32, "prepared_at": "2026-03-10T12:00:00Z",
        "files": {"study.toml": "01" * 32, "plan.csv": "23" * 32, "record/prints.csv": "45" * 32},
        "versions": {"testprint-doe": "0.1.0", "numpy": "2.4.6"},
        "interval": {name: lambda settings: predict(of, settings)[:, None] + np.array([-0.6, 0.6]) for name in measured},
    }
    return ReportInputs(**{**given, **changes})
