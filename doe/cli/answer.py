"""Commands about the answer: ``fit``, ``recommend``, ``report``."""

from typing import Annotated

import typer

from doe.cli.options import HERE, JsonOption, StudyOption, folder_of, show


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(fit)
    app.command()(recommend)
    app.command()(report)


def fit(
    study: StudyOption = HERE,
    terms: Annotated[
        str | None,
        typer.Option(help="Another model, terms separated by commas ('a, b, a * b, a^2'); labelled exploratory."),
    ] = None,
    details: Annotated[
        bool, typer.Option("--details", help="Show everything that examines the models; it is in the report in any case.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Fit the declared model to what was collected."""
    from doe.cli import steps

    show(steps.fit(folder_of(study), terms, details=details), as_json)


def recommend(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """Recommend a setting within what was tried, with its intervals."""
    from doe.cli import steps

    show(steps.recommend(folder_of(study)), as_json)


def report(
    study: StudyOption = HERE,
    page: Annotated[
        bool, typer.Option("--html", help="Write report.html as well: the same on one page, with sliders to try settings.")
    ] = False,
    draft: Annotated[
        bool, typer.Option("--draft", help="Write report-draft.pdf from what is there, with what is missing; it is no revision.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write report.pdf for the quality file."""
    from doe.cli import drafting, steps

    if draft and page:
        raise typer.BadParameter("a draft has no page: leave one of --draft and --html out")
    if draft:
        show(drafting.draft(folder_of(study)), as_json)
        return
    show(steps.report(folder_of(study), page=page), as_json)
