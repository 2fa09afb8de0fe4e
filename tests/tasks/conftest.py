"""The tiny practice programme, made once, and opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.demo.make import make_demo
from planner.tasks.programme import Programme, open_programme


@pytest.fixture(scope="session")
def tiny_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tiny")
    make_demo(folder, size="tiny")
    return folder


@pytest.fixture(scope="session")
def tiny(tiny_folder: Path) -> Programme:
    return open_programme(tiny_folder)


@pytest.fixture(scope="session")
def full_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("full")
    make_demo(folder, size="full", with_scans=False)
    return folder


@pytest.fixture(scope="session")
def full(full_folder: Path) -> Programme:
    return open_programme(full_folder)
