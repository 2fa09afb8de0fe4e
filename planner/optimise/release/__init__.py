"""Which fish go where: data, build, solve, read, recheck, explain."""
