"""Small invented studies, truly fitted and recommended from, for what a page computes with."""

import dataclasses
from functools import cache

import numpy as np

from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.recommend.choose import chosen_setting, recommend_settings
from doe.study.spec import Check, Constraint, Printer, Response
from tests import records
from tests.report import samples

STRENGTH = Response(name="z_strength", unit="MPa", coupons=3, at_least=30, method="tensile bar, upright")
WIDTH = Response(name="wall_width", unit="mm", coupons=3, at_least=29, at_most=35, transform="log", requirement_on="print mean")
GRADE = Response(name="bed_grade", kind="graded", grades=(0, 1, 2, 3, 4, 5), per="print", at_least=4)
READ = tuple(
    Printer(name=name, limits={"nozzle_temperature": (200, 300)}, checks=(
        Check(factor="nozzle_temperature", set=(250, 270, 290), actual=actual, instrument="TC-03"),
    ))
    for name, actual in (("A", (244.2, 263.9, 284.1)), ("B", (249.8, 270.1, 289.9)))
)
CONSTRAINT = Constraint(coef={"bed_temperature": 1.0, "drying_time": 5.0}, limit=140.0)


@cache
def inputs(loads=8, **header):
    """Return the inputs of a report, with their fits: four factors, two printers that differ, a logarithm and two limits."""
    study = samples.study(
        (*samples.FACTORS[:3], samples.FACTORS[3].model_copy(update={"levels": ("glass", "sheet", "steel")})),
        (STRENGTH, WIDTH), **header,
    ).model_copy(update={"printers": READ, "constraints": (CONSTRAINT,)})
    design = samples.design(study, 40, loads)
    design = dataclasses.replace(design, runs=design.runs[design.runs["target.drying_time"] * 5
                                                          + design.runs["target.bed_temperature"] <= 140].reset_index(drop=True))
    record = records.simulated(study, design, mean=_mean)
    return _reported(study, design, record)


AIMED = (
    Response(name="z_strength", unit="MPa", coupons=3, aim="maximise", worthless_below=24, perfect_at=36, shape=2, priority=3),
    Response(name="wall_width", unit="mm", coupons=3, aim="target", worthless_below=22, perfect_at=31, worthless_above=38,
             shape=0.5, shape_above=2, transform="log"),
    Response(name="warp", unit="mm", coupons=3, aim="minimise", worthless_above=36, perfect_at=26),
)


@cache
def wished():
    """Return the inputs of a report on a study with aims, one of each kind, with their fits."""
    study = samples.study(samples.FACTORS[:3], AIMED)
    design = samples.design(study, 40, 8)
    return _reported(study, design, records.simulated(study, design, mean=lambda x: 31.0 + 2.0 * x[0] - 1.5 * x[1] ** 2 + x[2]))


def _mean(x):
    return 31.0 + 1.5 * x[0] - 1.0 * x[1] ** 2 + 0.8 * x[2] - 0.9 * x[0] ** 2 + (0.4, -0.5, 0.0)[int(x[3])]


def _reported(study, design, record):
    fit, fitted = fit_model(study, design, record, FitRequest())
    advice = recommend_settings(study, design, fit, fitted, 1, record)
    chosen = chosen_setting(study, design, fitted, advice, record)
    made = samples.inputs(
        study, design=design, record=record, fit=fit, recommendation=advice, chosen=chosen, predict={}, interval={},
        fitted=fitted,
    )
    return made, fitted


def settings(data, count, seed=3):
    """Return places of random settings on every factor's increments, inside the region or not."""
    generator = np.random.default_rng(seed)
    return [[int(generator.integers(len(factor["values"]))) for factor in data["factors"]] for _ in range(count)]
