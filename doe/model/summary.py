"""What is counted beside the models: grades or passes per setting, ends of prints."""

from collections import Counter

from doe.design.plan import Design
from doe.model.results import Completion, Summary
from doe.model.values import FAILED, single_values
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
    """Count the values that the model of the response counts: none typed in for a failed print, and no pilot's."""
    found = single_values(response, record)
    setting, fitted = _settings(study, design), set(design.fitted["print"])
    words, values = dict(setting.values()), dict[int, list[str]]()
    for owner, value in zip(found.owners, found.lower.tolist(), strict=True):
        if owner in fitted:
            values.setdefault(setting[owner][0], []).append(_word(response, value))
    rows = tuple(
        {
            "setting": words[cell],
            "values": len(values[cell]),
            "counts": dict(sorted(Counter(values[cell]).items())),
            "meets": sum(meets(response, word) for word in values[cell]),
        }
        for cell in sorted(values)
    )
    return Summary(response=response.name, kind=response.kind, rows=rows)


def _word(response: Response, value: float) -> str:
    return ("pass" if value else "fail") if response.kind == "pass_fail" else f"{value:g}"


def meets(response: Response, value: object) -> bool:
    """Whether one grade, or ``pass`` or ``fail``, meets the requirement of its response."""
    if response.kind == "pass_fail":
        return str(value) == "pass"
    number = float(str(value))
    return (response.at_least is None or number >= response.at_least) and (
        response.at_most is None or number <= response.at_most
    )
