"""Commands about the answer: ``fit``, ``recommend``, ``report``."""

from typing import Annotated

import typer

from doe.cli.open_study import require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.files import Folder


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(fit)
    app.command()(recommend)
    app.command()(report)


def fit(
    study: StudyOption = HERE,
    terms: Annotated[
        str | None,
        typer.Option(
            metavar="TERMS",
            help="Try another model: terms of factors separated by commas, such as 'a, b, a * b, a^2'. It is labelled "
            "exploratory, and nothing is recommended from it.",
        ),
    ] = None,
    details: Annotated[
        bool, typer.Option("--details", help="Show all checks of the models as well; the report has them in any case.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """
    Fit the model of study.toml to what was collected: what matters, and how much.

    Writes fit.json. Look at the verdicts first: they say what stands in the way.
    """
    from doe.cli import steps

    folder = require_begun(Folder(study), collected=True)
    show(steps.fit(folder, terms, details=details), as_json)


def recommend(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """
    Recommend a setting within what was tried, and say what it promises.

    Writes recommendation.json: the setting, what to set on each printer, intervals, and the share of future prints that will
    meet the requirements, with a lower bound. See 'doe help intervals'.
    """
    from doe.cli import steps

    show(steps.recommend(require_begun(Folder(study), collected=True)), as_json)


def report(
    study: StudyOption = HERE,
    page: Annotated[
        bool, typer.Option("--html", help="Write report.html as well: a page for the browser, with sliders to try settings.")
    ] = False,
    draft: Annotated[
        bool, typer.Option("--draft", help="Write report-draft.pdf instead, from what is there so far, and say what is missing.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """
    Write report.pdf for the quality file, with the whole study inside.

    It needs a recommendation; before there is one, take --draft.
    """
    if draft and page:
        raise typer.BadParameter("a draft has no page: leave one of --draft and --html out")
    folder = require_begun(Folder(study), collected=not draft)
    if draft:
        from doe.cli import drafting

        show(drafting.draft(folder), as_json)
        return
    from doe.cli import steps

    show(steps.report(folder, page=page), as_json)
