"""Which fish to cross: data, build, solve, read, recheck, explain."""
