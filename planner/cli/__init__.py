"""The command `kinshoal`: thin edges over `planner.tasks`."""

from planner.cli.main import main

__all__ = ["main"]
