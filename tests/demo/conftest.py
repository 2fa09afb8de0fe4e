"""The practice programme, made once for all tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.demo.make import DemoReport, demo_in_memory, make_demo


@pytest.fixture(scope="session")
def tiny():
    return demo_in_memory("tiny")


@pytest.fixture(scope="session")
def full():
    """The full programme in memory, without contacts of readers."""
    return demo_in_memory("full", with_scans=False)


@pytest.fixture(scope="session")
def tiny_report(tmp_path_factory: pytest.TempPathFactory) -> DemoReport:
    return make_demo(tmp_path_factory.mktemp("demo") / "tiny", "tiny")


@pytest.fixture(scope="session")
def examples() -> Path:
    return Path(__file__).resolve().parents[2] / "data_examples"
