"""The command `kinshoal`: thin edges over `planner.tasks`."""
