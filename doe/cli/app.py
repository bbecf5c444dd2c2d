"""The command line's one entry point, where errors become words with an exit status."""

import os
import sys
import warnings
from typing import Annotated, Any

import typer

from doe import __version__
from doe.cli import (
    check_verify,
    confirming,
    demo,
    drying,
    extending,
    fit_recommend_report,
    help_topics,
    new_amend_status,
    plan_sheet_collect,
    releasing,
)
from doe.cli.help_page import CommandPage, FirstPage
from doe.cli.paragraphs import json_line, width_of, wrapped
from doe.errors import DoeError, InputRefused

app = typer.Typer(
    name="doe",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    cls=FirstPage,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Plan, record and analyse the test prints that qualify a filament on your printers.",
    epilog="New to this: 'doe help walk-through'. Start with 'doe demo', or with 'doe new' in the folder where your studies "
    "live. 'doe status' names the next step.",
)


def _print_version(asked: bool) -> None:
    if asked:
        print(f"doe {__version__}")
        raise typer.Exit


def _of_all_commands(
    _version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version of this software and end.")
    ] = False,
) -> None:
    """Take what is asked of the software as a whole."""


app.callback()(_of_all_commands)

for group in (
    new_amend_status, plan_sheet_collect, fit_recommend_report, confirming, releasing, extending, check_verify,
    drying, demo, help_topics,
):  # fmt: skip
    group.register(app)
for registered in app.registered_commands:
    registered.cls = CommandPage


def main() -> None:
    """Run the command line; exit 0 done, 2 wrong usage, 3 input refused, 1 a fault of ours."""
    # Before numpy is loaded: on matrices as small as ours further threads cost more than they give.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # what a library warns of is for developers; verdicts speak to users
    try:
        app()
    except DoeError as error:
        _say(error)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        print("Stopped; nothing was changed.", file=sys.stderr)
        sys.exit(130)
    except Exception as error:
        if os.environ.get("DOE_TRACEBACK"):
            raise
        print(
            wrapped(
                f"doe: a fault of ours, not of your input: {type(error).__name__}: {error}. Nothing was changed. "
                "Set DOE_TRACEBACK=1 and run it again to see where.",
                width_of(sys.stderr),
            ),
            file=sys.stderr,
        )
        sys.exit(1)


def _say(error: DoeError) -> None:
    room = width_of(sys.stderr)
    if "--json" in sys.argv:
        print(json_line(_problems(error)))
    elif isinstance(error, InputRefused):
        print(wrapped(error.heading.format(count=_count(error)), room), file=sys.stderr)
        for problem in error.problems[: error.shown]:
            print(wrapped(f"- {problem}", room), file=sys.stderr)
        if (more := len(error.problems) - (error.shown or len(error.problems))) > 0:
            said = f"and {more} more difference{'s' if more > 1 else ''}, of words or of numbers; --json lists all."
            print(wrapped(said, room), file=sys.stderr)
    else:
        print(wrapped(f"doe: {error}", room), file=sys.stderr)


def _count(error: InputRefused) -> str:
    count = len(error.problems)
    return f"{count} problem{'s' if count > 1 else ''}"


def _problems(error: DoeError) -> dict[str, Any]:
    problems = error.problems if isinstance(error, InputRefused) else ()
    return {
        "refused": _count(error) if isinstance(error, InputRefused) else str(error),
        "problems": [
            {"where": one.where, "found": one.found, "allowed": one.allowed, "remedy": one.remedy} for one in problems
        ],
    }
