"""Provenance as the small print of a sheet."""

from __future__ import annotations

from planner.provenance import Provenance


def provenance_lines(provenance: Provenance) -> tuple[tuple[str, str], ...]:
    """Return label and text pairs: inputs, settings, seed, proof, versions."""
    proof = "; ".join(f"{k} {v}" for k, v in provenance.proof.items())
    settings = "; ".join(f"{k} = {v}" for k, v in provenance.settings.items())
    libraries = "; ".join(f"{k} {v}" for k, v in provenance.libraries.items())
    return (
        ("Records", f"as of {provenance.made_on}, SHA-256 {provenance.inputs}"),
        ("Settings", settings or "none"),
        ("Seed", str(provenance.seed)),
        ("Proof", proof or "none"),
        ("Made with", libraries),
    )
