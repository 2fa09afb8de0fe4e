"""What made a result: inputs, settings, seed, versions, proof."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from importlib.metadata import PackageNotFoundError, version
from typing import Any

LIBRARIES = ("numpy", "scipy", "pandas", "numba", "pulp", "highspy", "scikit-allel", "networkx")


def library_versions() -> dict[str, str]:
    """Return the versions of Kinshoal, Python and the libraries that take part in a number."""
    out = {"python": sys.version.split()[0]}
    for name in ("kinshoal", *LIBRARIES):
        try:
            out[name] = version(name)
        except PackageNotFoundError:  # a library that is not needed for this result
            continue
    return out


def canonical_json(values: Any) -> str:
    """Return JSON text that is the same for the same values: sorted keys, no spaces, no NaN.

    Raises
    ------
    ValueError
        If a number is NaN or infinite.
    """
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def fingerprint_of(values: Any) -> str:
    """Return the SHA-256 of the canonical JSON of plain values, as 64 hex digits."""
    return hashlib.sha256(canonical_json(values).encode()).hexdigest()


@dataclass(frozen=True)
class Provenance:
    """What a plan or report was made from.

    Parameters
    ----------
    kind : str
        What was made, for example ``spawning plan``.
    inputs : str
        SHA-256 fingerprint of the records folder, 64 hex digits.
    made_on : str
        ISO 8601 date the caller gives (the programme's date, not the machine's clock).
    seed : int
        Seed of every random step.
    settings : mapping
        Every setting that took part, by name.
    version : int
        Version of the plan; a new version voids the older sheets.
    proof : mapping
        Status, value, proven bound and gap.
    libraries : mapping
        Versions.
    """

    kind: str
    inputs: str
    made_on: str
    seed: int
    settings: Mapping[str, Any] = field(default_factory=dict)
    version: int = 1
    proof: Mapping[str, Any] = field(default_factory=dict)
    libraries: Mapping[str, str] = field(default_factory=library_versions)

    @property
    def mark(self) -> str:
        """Ten hex digits that name this result on paper; equal inputs and settings give equal marks."""
        return fingerprint_of(
            {
                "kind": self.kind,
                "inputs": self.inputs,
                "seed": self.seed,
                "settings": dict(self.settings),
                "version": self.version,
            }
        )[:10]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, the mark included."""
        return {**asdict(self), "mark": self.mark}
