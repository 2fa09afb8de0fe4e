"""What every page needs: the records, the workers, who is asking."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fastapi import HTTPException, Request

from planner.tasks.workplace import Workplace
from planner.web.security import Keys, Rate, Session, Sessions
from planner.web.worker import Workers

COOKIE = "kinshoal"
LOCAL = ("127.0.0.1", "localhost", "::1")


@dataclass
class State:
    """The server's state, in ``app.state.desk``.

    Parameters
    ----------
    workplace : Workplace
        Records and results.
    workers : Workers
        Long work.
    keys : Keys
        People who can sign in.
    open_to_network : bool
        Whether others than this machine can reach the server; then everyone signs in.
    hosts : tuple of str
        Names under which the server may be asked.
    """

    workplace: Workplace
    workers: Workers
    keys: Keys
    open_to_network: bool = False
    hosts: tuple[str, ...] = LOCAL
    sessions: Sessions = field(default_factory=Sessions)
    sign_in_rate: Rate = field(default_factory=lambda: Rate(8, 4))
    write_rate: Rate = field(default_factory=lambda: Rate(120, 240))

    @property
    def work(self) -> Path:
        """Folder of plans, sheets and jobs."""
        return self.workplace.work


def state_of(request: Request) -> State:
    """Return the server's state."""
    state: State = request.app.state.desk
    return state


def session_of(request: Request) -> Session:
    """Return the session the doorkeeper attached to the request."""
    session: Session = request.state.session
    return session


def needs(request: Request, role: str) -> Session:
    """Return the session when the person has the role.

    Raises
    ------
    HTTPException
        403 when not.
    """
    session = session_of(request)
    if not session.may(role):
        raise HTTPException(
            403, f"This needs the role '{role}'; {session.name or 'nobody'} has '{session.role or 'none'}'."
        )
    return session


def needs_register(request: Request) -> None:
    """Refuse what a folder of records cannot do.

    Raises
    ------
    HTTPException
        409 when the records are a folder.
    """
    if not state_of(request).workplace.is_register:
        raise HTTPException(
            409,
            "These records are a folder and can only be read here. Make a register with 'kinshoal register new FILE' and "
            "'kinshoal register import FILE FOLDER --write --as NAME', then open that.",
        )


def own_address(address: str, otherwise: str = "/") -> str:
    """Return an address on this server as it is, another page of ours for any other."""
    return address if address.startswith("/") and not address.startswith(("//", "/\\")) else otherwise


def changed_settings(fields: Mapping[str, str], names: Sequence[str]) -> dict[str, str]:
    """Return the settings of a form that differ from what the form showed (its fields ``was-NAME``)."""
    return {n: fields[n] for n in names if n in fields and fields[n] != fields.get(f"was-{n}", "")}


async def fields_given(request: Request) -> list[tuple[str, str]]:
    """Return the fields of a form as name and text, in order; files are passed over."""
    async with request.form() as form:
        return [(k, v) for k, v in form.multi_items() if isinstance(v, str)]


def safe_file(folder: Path, name: str) -> Path:
    """Return a file below a folder.

    Raises
    ------
    HTTPException
        404 when there is none or the name leads out of the folder.
    """
    root = folder.resolve()
    if "\0" in name:
        raise HTTPException(404, "There is no such file.")
    path = (root / name).resolve()
    if (
        not path.is_relative_to(root)
        or not path.is_file()
        or any(p.startswith(".") for p in path.relative_to(root).parts)
    ):
        raise HTTPException(404, "There is no such file.")
    return path
