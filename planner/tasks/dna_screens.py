"""What DNA says against crossing or releasing a fish: the other species, or another sex than recorded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from broodstock.genotypes.quality.hybrid_index import hybrid_calls
from broodstock.genotypes.quality.sex_marker import sex_calls
from planner.tasks.programme import Programme


@dataclass(frozen=True, slots=True)
class DnaObjections:
    """Fish that DNA speaks against, with the reason in words.

    Parameters
    ----------
    sex : dict of str to str
        Fish of another sex by DNA than recorded.
    species : dict of str to str
        Fish with genes from the other species.
    """

    sex: dict[str, str]
    species: dict[str, str]


def dna_objections(programme: Programme, fish: Iterable[str]) -> dict[str, str]:
    """Return for each broodfish that DNA speaks against the reason in words; a person decides.

    Parameters
    ----------
    programme : Programme
        Open records; a fish may have several samples, each is looked at.
    fish : iterable of str
        Fish to look at.

    Returns
    -------
    dict of str to str
        Only fish with an objection; the species comes before the sex. Fish without a sample or without calls
        have none.
    """
    found = screen(programme, fish, "fish_id", _recorded_sex(programme, "fish", "fish_id"))
    return found.sex | found.species


def stock_objections(programme: Programme) -> DnaObjections:
    """Return what DNA says against releasing fish of the stock, by ``stock_id``.

    Parameters
    ----------
    programme : Programme
        Open records; only samples that name the fish of the stock count.

    Returns
    -------
    DnaObjections
        Empty where the stock was not sampled.
    """
    recorded = _recorded_sex(programme, "stock", "stock_id")
    return screen(programme, recorded, "stock_id", recorded)


def _recorded_sex(programme: Programme, table: str, key: str) -> dict[str, str]:
    rows = programme.tables[table]
    return dict(zip(rows[key], rows["sex"], strict=True))


def screen(
    programme: Programme, fish: Iterable[str], key: Literal["fish_id", "stock_id"], sexes: dict[str, str]
) -> DnaObjections:
    """Look at the samples of some fish for the other species and the sex.

    Parameters
    ----------
    programme : Programme
        Open records.
    fish : iterable of str
        Fish to look at.
    key : {'fish_id', 'stock_id'}
        Column of the samples that names them.
    sexes : dict of str to str
        Recorded sex of each; a fish without one cannot disagree.

    Returns
    -------
    DnaObjections
    """
    wanted = set(fish)
    samples = programme.tables["samples"]
    owner = {s: f for s, f in zip(samples["sample_id"], samples[key], strict=True) if f and f in wanted}
    out = DnaObjections({}, {})
    for calls in programme.genotypes.values():
        columns = np.array([i for i, s in enumerate(calls.samples) if s in owner], dtype=np.int64)
        if not columns.size:
            continue
        here = calls.take(samples=columns)
        recorded = {s: sexes.get(owner[s], "") for s in here.samples}
        for sex in sex_calls(here, recorded):
            if sex.agrees is False:
                out.sex[owner[sex.sample]] = (
                    f"recorded {sex.recorded}, {sex.dna_sex} by DNA (sample {sex.sample}): look at the fish again"
                )
        for hybrid in hybrid_calls(here, flag_above=programme.settings["hybrid_index_max"]):
            if hybrid.flagged:
                out.species[owner[hybrid.sample]] = (
                    f"{hybrid.index.text(2)} of its genes from the other species by DNA, {hybrid.word} "
                    f"(sample {hybrid.sample}): the geneticist decides"
                )
    return out
