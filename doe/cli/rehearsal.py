"""The whole path on a simulated bench: every step is the one that a real study takes."""

from typing import Any

from doe.cli import planning, steps
from doe.cli.desk import REPORT, STUDY, Desk, Done
from doe.design.request import PlanRequest
from doe.errors import InputRefused, Problem
from doe.files import Folder


def demo(folder: Folder, seed: int) -> Done:
    """
    Plan, simulate, collect, fit, recommend and report a study of an invented material.

    The filled workbook goes beside the blank one's name, as an operator would hand it back; the record, the recommendation
    and the report say that they are simulated.
    """
    from doe.demo import bench, read, write

    if folder.path.exists() and (not folder.path.is_dir() or any(folder.path.iterdir())):
        raise InputRefused(
            Problem(
                str(folder.path),
                "it is already there and not empty",
                "the demo starts in a folder of its own",
                "name another folder: doe demo DIR",
            )
        )
    steps.make_folder(folder)
    Desk(folder).commit("new", {STUDY: read.demo_study()})
    planning.plan(folder, PlanRequest(one_round=True, seed=seed))
    written = steps.sheet(folder).data
    desk = Desk(folder)
    study = desk.study()
    results = bench.run(study, desk.design(study), seed)
    filled = write.fill_workbook(folder.read(written["file"]), written["sheets"], results)
    desk.commit("demo", {written["file"]: filled}, simulated=True)
    collected = steps.collect(folder, [], "simulated bench")
    fitted = steps.fit(folder, None)
    advised = steps.recommend(folder)
    steps.report(folder)
    return _told(folder, study, (collected, fitted, advised), bench.true_optimum(study))


def _told(folder: Folder, study: Any, done: tuple[Done, ...], optimum: tuple[dict[str, float], float]) -> Done:  # noqa: ANN401
    from doe.report import screens

    truth, share = optimum
    advised = done[-1].data
    lines = (
        "Everything above is SIMULATED: an invented material on an invented bench.",
        f"The simulation's true optimum meets the requirements in {share:.1%} of coupons; the recommendation claims "
        f"{advised['conformance']['estimate']:.1%}, at least {advised['conformance']['lower']:.1%}.",
        f"The report is {folder.path / REPORT}; the study folder is {folder.path}.",
        f"Next: look at the report, then make your own study with 'doe new DIR' ({advised['next']})",
    )
    tables = (*done[1].tables, *done[2].tables, screens.rehearsal_table(study, advised, truth))
    return Done(
        {"recommendation": advised, "truth": {"settings": truth, "conformance": share}, "report": REPORT},
        tables,
        lines,
    )
