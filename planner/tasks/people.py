"""Who may do what: view, enter, approve; a register without people lets everyone enter and nobody approve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from broodstock.errors import KinshoalError

if TYPE_CHECKING:
    from planner.store.register import Register

RANK = {"view": 0, "enter": 1, "approve": 2}


class NotAllowedError(KinshoalError):
    """A person may not do what was asked."""

    code = "not-allowed"


def person(register: Register, who: str) -> dict[str, Any] | None:
    """Return the row of a person by short name or by name, None if there is none."""
    return register.get("people", who) or next(iter(register.rows("people", {"name": who}, limit=1)), None)


def check_person(register: Register, who: str, needs: str = "enter", option: str = "--as") -> str:
    """Return the name a person signs with, when the person may do what is needed.

    Parameters
    ----------
    register : Register
        Open.
    who : str
        As given.
    needs : {'view', 'enter', 'approve'}
        Least role.
    option : str
        Where the name was given, for the words of an error.

    Raises
    ------
    NotAllowedError
        If the person is unknown, not active, or has a lesser role.
    """
    everyone = register.rows("people", columns=["person_id", "role", "active"])
    if not everyone and needs != "approve":
        return who.strip()
    row = person(register, who.strip())
    if row is None:
        do = (
            "Add a first person with role approve: kinshoal add REGISTER people person_id=NAME role=approve --as NAME."
            if not everyone
            else "Sign with a name of the table people, or have a person with role approve add you."
        )
        raise NotAllowedError(
            f"{option}: found '{who}', whom the register does not know. Expected a person who may {needs}. {do}"
        )
    if row["active"] is False:
        raise NotAllowedError(
            f"{option}: found '{who}', who is no longer active. Expected a person who may {needs}. Sign with your own name."
        )
    if RANK[row["role"]] < RANK[needs]:
        raise NotAllowedError(
            f"{option}: found '{who}', role {row['role']}. Expected role {needs}. Ask a person with that role to do it."
        )
    return str(row["person_id"])


def check_approver(register: Register, who: str) -> str:
    """Return the name an approver signs with; a register without people lets everyone do what needs one person.

    Raises
    ------
    NotAllowedError
        As `check_person`, with role approve once the register has people.
    """
    return check_person(register, who, "approve" if register.count("people") else "enter")


def check_first_person(register: Register, table: str, role: str, who: str) -> str:
    """Return who signs a change of the table ``people``: an approver, or anyone for the first, who must be one.

    Raises
    ------
    NotAllowedError
        If the first person is no approver, or the signer is none.
    """
    if table != "people":
        return check_person(register, who)
    if register.count("people"):
        return check_person(register, who, "approve")
    if role != "approve":
        raise NotAllowedError(
            f"people: found a first person with role '{role}'. Expected role approve: otherwise nobody could add others. "
            "Begin with an approver."
        )
    return who.strip()
