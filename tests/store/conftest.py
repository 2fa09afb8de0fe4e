"""Registers to test with: a new file, and a new database on a PostgreSQL server started for the session."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

from planner.store.register import Register

_NUMBERS = count(1)


def _binaries() -> Path | None:
    """Folder with PostgreSQL's own programs, the newest version first."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    return found[-1].parent if found else None


def _as_server(command: list[str]) -> None:
    """Run a program of the server; it refuses to run as root, so root lends itself to the user postgres."""
    if os.geteuid() == 0:
        command = ["runuser", "-u", "postgres", "--", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert done.returncode == 0, f"{command}: {done.stdout}\n{done.stderr}"


@pytest.fixture(scope="session")
def postgresql_server() -> Iterator[str]:
    """Start a server on a socket in a folder of its own; gives the address of its first database."""
    binaries = _binaries()
    if binaries is None:
        pytest.skip("no PostgreSQL server in /usr/lib/postgresql: install the package 'postgresql'")
    folder = Path(tempfile.mkdtemp(prefix="kinshoal-pg-", dir="/tmp"))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
        data, log = folder / "data", folder / "log"
        settings = (
            f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off "
            "-c full_page_writes=off -c shared_buffers=64MB -c max_connections=40"
        )
        _as_server(
            [str(binaries / "initdb"), "-D", str(data), "-U", "kin", "-A", "trust", "-E", "UTF8", "--no-sync"]
        )
        control = str(binaries / "pg_ctl")
        _as_server([control, "-D", str(data), "-l", str(log), "-w", "-o", settings, "start"])
        try:
            yield f"postgresql+psycopg://kin@/postgres?host={folder}"
        finally:
            _as_server([control, "-D", str(data), "-m", "immediate", "stop"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def new_database(postgresql_server: str) -> Iterator[Callable[..., str]]:
    """Make empty databases on the server; gives a function that returns the address of a new one."""
    import psycopg

    made: list[str] = []
    plain = postgresql_server.replace("+psycopg", "")

    def run(statement: str) -> None:
        with psycopg.connect(plain, autocommit=True) as connection:
            connection.execute(statement)

    def make(template: str = "template0") -> str:
        name = f"register_{os.getpid()}_{next(_NUMBERS)}"
        run(f"CREATE DATABASE {name} TEMPLATE {template}")
        made.append(name)
        return postgresql_server.replace("/postgres?", f"/{name}?")

    yield make
    for name in made:
        run(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


@pytest.fixture
def new_file(tmp_path: Path) -> Callable[[], str]:
    """Gives a function that returns the name of a file that does not exist yet."""
    return lambda: str(tmp_path / f"register-{next(_NUMBERS)}.kinshoal")


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest) -> Callable[..., str]:
    """Gives a function that returns a place for a new register, for both databases in turn."""
    return request.getfixturevalue("new_file" if request.param == "sqlite" else "new_database")


@pytest.fixture
def place(new_place: Callable[..., str]) -> str:
    """A place for one new register, on both databases in turn."""
    return new_place()


@pytest.fixture(scope="session")
def template_database(postgresql_server: str) -> str:
    """Name of a database with a new register, to be copied."""
    import psycopg

    with psycopg.connect(postgresql_server.replace("+psycopg", ""), autocommit=True) as connection:
        connection.execute("CREATE DATABASE register_template")
    Register.create(postgresql_server.replace("/postgres?", "/register_template?")).close()
    return "register_template"


@pytest.fixture
def register(request: pytest.FixtureRequest, new_place: Callable[..., str]) -> Iterator[Register]:
    """A new register, on both databases in turn."""
    if "postgresql" in request.node.name:
        place = new_place(request.getfixturevalue("template_database"))
        made = Register.open(place)
    else:
        made = Register.create(new_place())
    with made:
        yield made


@pytest.fixture
def file_register(new_file: Callable[[], str]) -> Iterator[Register]:
    """A new register in a file."""
    with Register.create(new_file()) as made:
        yield made
