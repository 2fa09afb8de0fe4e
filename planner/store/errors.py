"""What can go wrong with a register, one class per situation."""

# ruff: noqa: N818  the names say the situation
from __future__ import annotations

from broodstock.errors import KinshoalError


class RegisterError(KinshoalError):
    """Something about a register; the message says place, found, expected and what to do.

    Parameters
    ----------
    place : str
        The register, table or record as the user knows it.
    found : str
        What was found.
    expected : str
        What was expected (a noun phrase, no full stop).
    do : str
        What a person can do (whole sentences).
    """

    code = "register"

    def __init__(self, place: str, found: str, expected: str, do: str) -> None:
        self.place, self.found, self.expected, self.do = place, found, expected, do
        super().__init__(f"{place}: found {found}. Expected {expected}. {do}")


class RegisterMissing(RegisterError):
    """There is no register at the place."""

    code = "register-missing"


class RegisterExists(RegisterError):
    """There is something already where a register should be made."""

    code = "register-exists"


class RegisterLocked(RegisterError):
    """Another process is writing and did not finish in time."""

    code = "register-locked"


class RegisterReadOnly(RegisterError):
    """The register may be read but not written."""

    code = "register-read-only"


class RegisterFull(RegisterError):
    """There is no room to write; the change was not made."""

    code = "register-full"


class RegisterDamaged(RegisterError):
    """The file or the server says that the contents cannot be read."""

    code = "register-damaged"


class SchemaOlder(RegisterError):
    """The register was made by an older Kinshoal and needs an upgrade."""

    code = "schema-older"


class SchemaNewer(RegisterError):
    """The register was made by a newer Kinshoal."""

    code = "schema-newer"


class TableUnknown(RegisterError):
    """There is no table or column of that name."""

    code = "table-unknown"


class RecordMissing(RegisterError):
    """There is no current record of that number or key."""

    code = "record-missing"


class RecordInUse(RegisterError):
    """A record is to go, or to change its name, while other records still name it."""

    code = "record-in-use"


class KeyTaken(RegisterError):
    """Another record has, or had, the same key."""

    code = "key-taken"


class NameUnknown(RegisterError):
    """A cell names a record that does not exist."""

    code = "name-unknown"


class StaleRecord(RegisterError):
    """Someone else changed the record since it was read."""

    code = "stale-record"


class NothingChanged(RegisterError):
    """A correction that would change no value."""

    code = "nothing-changed"


class UndoRefused(RegisterError):
    """A change cannot be undone because its records were changed again.

    Parameters
    ----------
    later : tuple of int
        The later changes, oldest first.
    """

    code = "undo-refused"

    def __init__(self, place: str, found: str, expected: str, do: str, later: tuple[int, ...] = ()) -> None:
        super().__init__(place, found, expected, do)
        self.later = later


class AppendOnly(RegisterError):
    """Something tried to rewrite or delete what was entered; the database refused."""

    code = "append-only"
