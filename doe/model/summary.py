"""What is counted beside the models: graded and pass-fail responses per setting, and how the prints ended."""

from collections import Counter

import pandas as pd

from doe.design.plan import Design
from doe.model.results import Completion, Summary
from doe.model.values import FAILED
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Response, Study


def summaries(study: Study, design: Design, record: Record) -> tuple[Summary, ...]:
    """Return each graded and pass-fail response, counted per planned setting."""
    return tuple(_summary(study, design, record, one) for one in study.responses if one.kind != "measured")


def completion(study: Study, design: Design, record: Record) -> Completion:
    """Return how the prints ended, and each print that failed with its setting."""
    outcomes = Counter(str(outcome) or "not recorded" for outcome in record.prints["outcome"])
    setting = _settings(study, design)
    failures = [
        {
            "print": row["print"],
            "printer": row["printer"],
            "load": row["load"],
            "outcome": row["outcome"],
            "setting": setting[row["print"]][1],
        }
        for row in record.prints.to_dict("records")
        if row["outcome"] in FAILED
    ]
    return Completion(outcomes=dict(outcomes), failures=tuple(failures))


def _settings(study: Study, design: Design) -> dict[str, tuple[int, str]]:
    """Return, per print, its cell in the plan and its setting in words."""
    return {
        row["print"]: (
            int(row["cell"]),
            scale.describe_setting(study, {f.name: row[f"target.{f.name}"] for f in study.factors}),
        )
        for row in design.runs.to_dict("records")
    }


def _summary(study: Study, design: Design, record: Record, response: Response) -> Summary:
    table = record.coupons if response.per == "coupon" else record.prints
    values: dict[int, list[object]] = {}
    setting = _settings(study, design)
    words = dict(setting.values())
    if response.name in table:
        for owner, value in zip(table["print"], table[response.name], strict=True):
            if owner in setting and not pd.isna(value) and value != "":
                values.setdefault(setting[owner][0], []).append(value)
    rows = []
    for cell in sorted(values):
        counted = Counter(_word(value) for value in values[cell])
        rows.append(
            {
                "setting": words[cell],
                "values": len(values[cell]),
                "counts": dict(sorted(counted.items())),
                "meets": sum(meets(response, value) for value in values[cell]),
            }
        )
    return Summary(response=response.name, kind=response.kind, rows=tuple(rows))


def _word(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def meets(response: Response, value: object) -> bool:
    """Whether one grade, or ``pass`` or ``fail``, meets the requirement of its response."""
    if response.kind == "pass_fail":
        return str(value) == "pass"
    number = float(str(value))
    return (response.at_least is None or number >= response.at_least) and (
        response.at_most is None or number <= response.at_most
    )
