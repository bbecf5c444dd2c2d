"""The whole path on a simulated bench: every step is the one that a real study takes."""

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING

from doe.cli import demo_steps, planning, steps
from doe.cli.demo_steps import Step
from doe.cli.open_study import REPORT, STUDY, Done, OpenStudy
from doe.design.request import PlanRequest
from doe.files import Folder

if TYPE_CHECKING:
    from doe.study.spec import Study


def demo(folder: Folder, seed: int, tell: Callable[[Step], None]) -> Done:
    """
    Plan, simulate, collect, fit, recommend and report a study of an invented material.

    The filled workbook goes beside the blank one's name, as an operator would hand it back; the record, the recommendation
    and the report say that they are simulated.

    Parameters
    ----------
    folder : Folder
        Empty, or not there yet.
    seed : int
        Of the plan and of the simulated results.
    tell : callable
        Takes each step when it is done.

    Returns
    -------
    Done
        The recommendation beside the truth of the simulation, and what to look at.
    """
    from doe.demo import bench

    steps.require_unused(folder, "the demo", "name another folder: doe demo DIR")
    study = _begun(folder, seed, tell)
    tell(demo_steps.collected(steps.collect(folder, [], "simulated bench")))
    tell(demo_steps.fitted(steps.fit(folder, None)))
    advised = steps.recommend(folder)
    tell(demo_steps.recommended(advised))
    tell(demo_steps.reported(steps.report(folder)))
    return _told(folder, study, advised, bench.true_optimum(study))


def _begun(folder: Folder, seed: int, tell: Callable[[Step], None]) -> "Study":
    """Make the study, plan it, and fill its workbook on the simulated bench."""
    from doe.demo import bench, read, write

    steps.make_folder(folder)
    OpenStudy(folder).commit("new", {STUDY: read.demo_study()})
    tell(demo_steps.begun(str(folder.path), OpenStudy(folder).study()))
    tell(demo_steps.planned(planning.plan(folder, PlanRequest(one_round=True, seed=seed)), seed))
    sheet = steps.sheet(folder)
    opened = OpenStudy(folder)
    study = opened.study()
    results = bench.run(study, opened.design(study), seed)
    filled = write.fill_workbook(folder.read(sheet.data["file"]), sheet.data["sheets"], results)
    opened.commit("demo", {sheet.data["file"]: filled}, simulated=True)
    outcomes = Counter(value for (_, column), value in results.prints.items() if column == "outcome")
    tell(demo_steps.handed_out(sheet, outcomes))
    return study


def _told(folder: Folder, study: "Study", advised: Done, optimum: tuple[dict[str, float], float]) -> Done:
    from doe.recommend.results import predicted, predicted_bound
    from doe.report import screens

    truth, share = optimum
    stated = advised.data["conformance"]
    lines = (
        f"At the true optimum, which only a simulation knows, {predicted(share)} of coupons meet the requirements. The "
        f"recommendation claims an estimated {predicted(stated['estimate'])} of prints, and at least "
        f"{predicted_bound(stated['lower'])}.",
        "",
        "All of this is SIMULATED: an invented material on an invented bench.",
        f"- Open {folder.path / REPORT}, and the workbook as operators hand it back: {folder.path / 'sheets' / 'round-1.xlsx'}",
        "- All that the steps print: 'doe demo another-folder --full'",
        "- What a real study does next, confirm and release, and how to begin your own: 'doe help walk-through'",
        "Next: 'doe new my-study', which lists the families of materials.",
    )
    data = {"recommendation": advised.data, "truth": {"settings": truth, "conformance": share}, "report": REPORT}
    return Done(data, (screens.rehearsal_table(study, advised.data, truth),), lines)
