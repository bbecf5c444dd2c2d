"""Run the command line: ``python -m doe``."""

from doe.cli.app import main

main()
