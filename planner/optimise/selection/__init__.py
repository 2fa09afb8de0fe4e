"""Which fish to keep, to found a water with, or to move: data, build, solve, recheck, compare."""
