"""Benchmarks: separate commands, never timed assertions in tests."""
