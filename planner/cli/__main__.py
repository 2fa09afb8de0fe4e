"""Run the command line with ``python -m planner.cli``."""

from planner.cli import main

main()
