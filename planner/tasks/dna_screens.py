"""What DNA says against crossing a fish: the other species, or another sex than recorded."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from broodstock.genotypes.quality.hybrid_index import hybrid_calls
from broodstock.genotypes.quality.sex_marker import sex_calls
from planner.tasks.programme import Programme


def dna_objections(programme: Programme, fish: Iterable[str]) -> dict[str, str]:
    """Return for each fish that DNA speaks against the reason in words; a person decides.

    Parameters
    ----------
    programme : Programme
        Open records; a fish may have several samples, each is looked at.
    fish : iterable of str
        Fish to look at.

    Returns
    -------
    dict of str to str
        Only fish with an objection. Fish without a sample or without calls have none.
    """
    wanted = set(fish)
    samples = programme.tables["samples"]
    owner = {s: f for s, f in zip(samples["sample_id"], samples["fish_id"], strict=True) if f in wanted}
    sexes = dict(zip(programme.tables["fish"]["fish_id"], programme.tables["fish"]["sex"], strict=True))
    out: dict[str, str] = {}
    for calls in programme.genotypes.values():
        columns = np.array([i for i, s in enumerate(calls.samples) if s in owner], dtype=np.int64)
        if not columns.size:
            continue
        here = calls.take(samples=columns)
        recorded = {s: sexes.get(owner[s], "") for s in here.samples}
        for sex in sex_calls(here, recorded):
            if sex.agrees is False:
                out[owner[sex.sample]] = (
                    f"recorded {sex.recorded}, {sex.dna_sex} by DNA (sample {sex.sample}): look at the fish again"
                )
        for hybrid in hybrid_calls(here, flag_above=programme.settings["hybrid_index_max"]):
            if hybrid.flagged:
                out[owner[hybrid.sample]] = (
                    f"{hybrid.index.text(2)} of its genes from the other species by DNA, {hybrid.word} "
                    f"(sample {hybrid.sample}): the geneticist decides"
                )
    return out
