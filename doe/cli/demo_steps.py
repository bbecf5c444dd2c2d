"""The demo's steps in a few lines each: what to type, what it did, then what to look at."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doe.cli.open_study import Done
from doe.verdicts import Verdict, ordered

if TYPE_CHECKING:
    from doe.study.spec import Study


@dataclass(frozen=True)
class Step:
    """One step of a study, as somebody would be told of it."""

    typed: str
    """The command, as it is typed in the study's folder."""
    did: str
    look: str
    """What to look at, and what for."""
    done: Done | None = None
    """All that the command shows; None where the demo did it in its own way."""

    def lines(self, number: int) -> tuple[str, ...]:
        """Return the step in short, its number before it."""
        return f"{number}  {self.typed}", f"   {self.did}", f"   Look at: {self.look}"


def begun(folder: str, study: "Study") -> Step:
    """Return the making of the study."""
    from doe.report.tables import words

    factors, responses = (
        ", ".join(words(one.name) for one in several) for several in (study.factors, study.responses)
    )
    return Step(
        f"doe new {folder}; cd {folder}",
        f"Made the folder with study.toml, the question written down: how {factors} (the factors, which are set) act on "
        f"{responses} (the responses, which are measured or graded), on {len(study.printers)} printers. "
        "The demo brings its own file.",
        "the ranges of the factors, and what the responses are required to be. For your own study both are yours to say.",
    )


def planned(done: Done, seed: int) -> Step:
    """Return the plan."""
    from doe.report import numbers
    from doe.report.tables import words

    loads = done.data["facts"]["strata"]["loads"]
    found = [one for one in done.data["detectable"] if one["effect"] is not None]
    effects = ", ".join(f"{words(one['factor'])} {numbers.plain(one['effect'], 2)}" for one in found)
    return Step(
        f"doe plan --one-round --seed {seed}",
        f"Chose {done.data['prints']} prints in {loads} drying loads, and a random order. Smallest effects that they will find, "
        f"in standard deviations of a print: {effects}. What changes only from load to load needs a larger one.",
        "plan.csv. Are the smallest effects small enough for your part? If not, the plan is too small: 'doe help how-many'.",
        done,
    )


def handed_out(done: Done, outcomes: Mapping[Any, int]) -> Step:
    """Return the workbook, and what the simulated bench made of it."""
    failed = sum(outcomes.values()) - outcomes["completed"]
    return Step(
        "doe sheet",
        f"Wrote the workbook for the operators. Here the bench filled it in: {sum(outcomes.values())} prints, {failed} of which "
        "came off the bed or failed otherwise. That is a result too, and goes in.",
        f"{done.data['file']}: its first page says in plain words what to do.",
        done,
    )


def collected(done: Done) -> Step:
    """Return the reading back."""
    return Step(
        "doe collect",
        f"Read the workbook into record/: {done.data['prints']} of {done.data['of']} prints are recorded.",
        "what it says is missing, unusual or contradictory. Here nothing is.",
        done,
    )


def fitted(done: Done) -> Step:
    """Return the fit: what each response changes with, and what the verdicts are."""
    from doe.report.tables import words

    found = [f"{words(one['response'])} changes with {_listed(_shown(one))}" for one in done.data["responses"]]
    said = [*done.data["verdicts"], *(verdict for one in done.data["responses"] for verdict in one["verdicts"])]
    named = ", ".join(dict.fromkeys(one.name for one in ordered(Verdict(**each) for each in said))) or "none"
    return Step(
        "doe fit",
        f"Fitted the model. In the middle of the ranges, beyond what scatter explains: {'; '.join(found)}.",
        f"the verdicts first, each with its cause and what to do (here: {named}); then the intervals of the coefficients: "
        "one that leaves out 0 says that the factor matters.",
        done,
    )


def recommended(done: Done) -> Step:
    """Return the recommendation."""
    return Step(
        "doe recommend",
        f"{_setting(done.data)} {done.lines[0]}",
        "the lower bound, not the estimate; and each printer's card"
        f"{_apart(done.data)}.",
        done,
    )


def reported(done: Done) -> Step:
    """Return the report."""
    return Step(
        "doe report",
        "Wrote report.pdf for the quality file, with the whole study inside. 'doe verify report.pdf' computes it anew.",
        "page one, which has the answer and what it rests on.",
        done,
    )


def _shown(response: Mapping[str, Any]) -> list[str]:
    """Return the factors whose own coefficient has an interval without 0, and which way the response goes."""
    from doe.report.tables import words

    own = [one for one in response["coefficients"] if one["label"] in response["terms"] and one["label"] != "intercept"]
    single = [one for one in own if not {"*", "^"} & set(one["label"])]
    return [
        f"{words(one['label'])} ({'up' if one['low'] > 0 else 'down'})" for one in single if one["low"] > 0 or one["high"] < 0
    ]


def _listed(names: list[str]) -> str:
    return ", ".join(names) if names else "nothing for certain"


def _setting(advised: Mapping[str, Any]) -> str:
    from doe.report import numbers
    from doe.report.tables import words

    settings = (
        f"{words(name)} {numbers.setting(one['value'])} {one['unit']}".rstrip() for name, one in advised["settings"].items()
    )
    return f"The setting: {', '.join(settings)}."


def _apart(advised: Mapping[str, Any]) -> str:
    """Return an example of one actual value that takes different setpoints, where there is one."""
    from doe.report import numbers
    from doe.report.tables import words

    for name, one in advised["settings"].items():
        setpoints = {row["printer"]: row["setpoints"][name] for row in advised["printers"]}
        if _differ(setpoints.values()):
            each = " and ".join(f"{numbers.setting(value)} on {printer}" for printer, value in setpoints.items())
            actual = f"{words(name)} {numbers.setting(one['value'])} {one['unit']}"
            return f": {actual} takes {each}, since their displays differ"
    return ""


def _differ(values: Iterable[Any]) -> bool:
    return len(set(values)) > 1
