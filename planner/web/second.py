"""The second person: another sign-in on a server open to the network, another name at this machine."""

from __future__ import annotations

from fastapi import HTTPException, Request

from planner.web.desk import state_of


class NotSecondError(Exception):
    """The second person could not be told who they are; the message says why."""


def second_person(request: Request, name: str, password: str = "") -> str:
    """Return the name of a second person with role approve who signs beside the person of the session.

    Parameters
    ----------
    request : Request
        The request.
    name : str
        Name given.
    password : str
        Password; needed when the server is open to the network, and never kept.

    Returns
    -------
    str
        The name; the use case holds it against the people of the register and the first signer.

    Raises
    ------
    NotSecondError
        If nobody is named, or name and password do not give role approve.
    HTTPException
        429 after too many tries.
    """
    state = state_of(request)
    wanted = name.strip()
    if not wanted:
        raise NotSecondError("second person: found nobody. Expected another person with role approve.")
    if not state.open_to_network:
        return wanted
    caller = request.client.host if request.client else ""
    if not state.sign_in_rate.allows(caller):
        raise HTTPException(429, "Too many tries. Wait a minute.")
    role = state.keys.role_of(wanted, password)
    if role is None:
        raise NotSecondError("second person: name and password do not belong together.")
    if role != "approve":
        raise NotSecondError(f"second person: found '{wanted}', role {role}. Expected role approve.")
    return wanted
