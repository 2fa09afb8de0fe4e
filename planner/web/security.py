"""Who is asking, and may they: sessions, roles, forged forms, hosts, headers, rates."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import stat
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

ROLES = ("view", "enter", "approve")
"""What a person may do; each role includes those before it."""

SESSION_HOURS = 12
MOST_SESSIONS = 500
SCRYPT = {"n": 2**14, "r": 8, "p": 1}
"""Work of one password check; parameters of RFC 7914's examples."""

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; style-src 'self'; style-src-attr 'unsafe-inline'; "
    "script-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass
class Session:
    """One browser.

    Parameters
    ----------
    token : str
        Secret of its forms.
    name : str
        Who; empty before sign-in.
    role : str
        One of `ROLES`.
    until : float
        End, in seconds of the monotonic clock.
    """

    token: str
    name: str
    role: str
    until: float

    def may(self, role: str) -> bool:
        """Return whether the person has a role or a higher one."""
        return self.role in ROLES and ROLES.index(self.role) >= ROLES.index(role)


class Sessions:
    """Sessions in memory; they end when the server stops."""

    def __init__(self) -> None:
        self._by_key: OrderedDict[str, Session] = OrderedDict()

    def open(self, name: str, role: str) -> tuple[str, Session]:
        """Start a session; return the cookie's value and the session."""
        key = secrets.token_urlsafe(32)
        session = Session(secrets.token_urlsafe(32), name, role, time.monotonic() + SESSION_HOURS * 3600)
        self._by_key[key] = session
        while len(self._by_key) > MOST_SESSIONS:
            self._by_key.popitem(last=False)
        return key, session

    def get(self, key: str | None) -> Session | None:
        """Return the session of a cookie, None when it is unknown or over."""
        session = self._by_key.get(key or "")
        if session is None or session.until < time.monotonic():
            return None
        return session

    def close(self, key: str | None) -> None:
        """Forget a session."""
        self._by_key.pop(key or "", None)


class Keys:
    """Salted hashes of passwords in a file only the owner can read; no password is stored.

    Parameters
    ----------
    path : Path
        JSON file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def _read(self) -> dict[str, dict[str, str]]:
        if not self.path.exists():
            return {}
        values: dict[str, dict[str, str]] = json.loads(self.path.read_text(encoding="utf-8"))
        return values

    def people(self) -> dict[str, str]:
        """Return the role of each person who can sign in."""
        return {name: entry["role"] for name, entry in self._read().items()}

    def set(self, name: str, role: str, password: str) -> None:
        """Store a person.

        Raises
        ------
        ValueError
            If the role is unknown or the password has fewer than 10 characters.
        """
        if role not in ROLES:
            raise ValueError(f"role: found {role!r}. Expected one of {', '.join(ROLES)}.")
        if len(password) < 10:
            raise ValueError(f"password: found {len(password)} characters. Expected 10 or more.")
        salt = secrets.token_bytes(16)
        values = self._read()
        values[name] = {"role": role, "salt": salt.hex(), "hash": _hash(password, salt).hex()}
        self.path.parent.mkdir(parents=True, exist_ok=True)
        temporary = self.path.with_suffix(".new")
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, stat.S_IRUSR | stat.S_IWUSR)
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            json.dump(values, out)
        os.replace(temporary, self.path)

    def role_of(self, name: str, password: str) -> str | None:
        """Return the role when the password is right, None otherwise; equally slow for names that do not exist."""
        entry = self._read().get(name)
        salt = bytes.fromhex(entry["salt"]) if entry else b"no such person  "
        given = _hash(password, salt)
        if entry is None or not hmac.compare_digest(given, bytes.fromhex(entry["hash"])):
            return None
        return entry["role"]


def _hash(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, dklen=32, **SCRYPT)


@dataclass
class Rate:
    """A bucket of tries per caller that fills again with time.

    Parameters
    ----------
    most : float
        Tries at once.
    per_minute : float
        Tries that come back each minute.
    """

    most: float
    per_minute: float
    _left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def allows(self, caller: str) -> bool:
        """Take one try; False when there is none left."""
        now = time.monotonic()
        left, then = self._left.pop(caller, (self.most, now))
        left = min(self.most, left + (now - then) * self.per_minute / 60)
        allowed = left >= 1
        self._left[caller] = (left - 1 if allowed else left, now)
        while len(self._left) > 10_000:
            self._left.popitem(last=False)
        return allowed


def host_is_ours(header: str, allowed: tuple[str, ...]) -> bool:
    """Return whether a Host header names this server; anything else may be a page that plays at being us."""
    host = header.rsplit(":", 1)[0] if header.count(":") == 1 or header.startswith("[") else header
    return host.strip("[]").lower() in allowed or host.lower() in allowed
