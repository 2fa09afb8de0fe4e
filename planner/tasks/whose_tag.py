"""Whose tag is it: an unknown code against every fish of the records, with all else that is known of the fish in hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.tags.growth_match import GrowthModel, log_length_density
from broodstock.tags.near import TagRanges
from broodstock.tags.resolve import Evidence, Holder, Prior, Resolution, TagWorld, resolve
from broodstock.tags.slips import SlipModel
from planner.tasks.individuals import IN_CARE, Individual, individuals
from planner.tasks.programme import Programme
from planner.tasks.rows import rows

OLD_TAG_SHARE = 0.02
"""Chance that a tag recorded as lost is the one read, when the fish has another; a guess."""
DEAD_WEIGHT = 0.002
"""Weight of a fish recorded as dead before the day; a guess: records are wrong now and then."""
SEX_WRONG = 0.05
"""Chance that a sex seen is wrong; a guess."""
OUT_OF_PLACE = 0.001
"""Chance to meet a fish of the station at a water, or a fish at large in the station; a guess."""
OUT_OF_CLOSED = 0.02
"""Chance to meet a fish of a closed water elsewhere; a guess."""
CLOSED = ("isolated-backwater", "refuge", "grow-out")


@dataclass(frozen=True)
class InHand:
    """What is known of the fish in hand beside the code.

    Parameters
    ----------
    on : date or None
        Day; default the programme's.
    at : str
        Site or unit; empty if not given.
    length_mm : float or None
        Total length.
    sex : str
        ``female``, ``male`` or empty.
    sample : str
        Name of its sample in the genotype files; empty if none.
    scanned : bool
        The reader stored the code itself: nobody typed it.
    """

    on: dt.date | None = None
    at: str = ""
    length_mm: float | None = None
    sex: str = ""
    sample: str = ""
    scanned: bool = False


@dataclass(frozen=True)
class WhoseTag:
    """The answer in plain values.

    Parameters
    ----------
    resolution : Resolution
        Probabilities.
    fish : tuple of Individual
        Every fish considered, by position.
    on : date
        The day.
    known_holder : str
        Fish that has exactly this code on record, empty if none.
    notes : tuple of str
        What was assumed.
    """

    resolution: Resolution
    fish: tuple[Individual, ...]
    on: dt.date
    known_holder: str
    notes: tuple[str, ...]

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows of the ranked list."""
        body = []
        for c in self.resolution.candidates:
            one = self.fish[c.fish]
            seen = f"{one.place or 'place unknown'}{f', {one.place_on}' if one.place_on else ''}"
            why = "  ".join(f"{k} {v:+.1f}" for k, v in c.evidence.items())
            body.append([one.name, percent(c.probability), c.how, c.code or "-", seen, why or "-"])
        head = [
            "fish",
            "probability",
            "how",
            "tag on record",
            "last seen",
            "evidence (log10 against a new fish)",
        ]
        return head, body

    def lines(self) -> list[str]:
        """Return what stands under the table."""
        r = self.resolution
        out = [f"none of the fish of the records: {percent(r.none)}"]
        out += [f"  {words}: {percent(p)}" for words, p in r.none_of_these.items()]
        if r.others > 5e-4:
            out.append(f"fish of the records not listed, together: {percent(r.others)}")
        if not r.explained:
            out.append(
                "No slip known to us leads from any tag to this text; the probabilities rest on the rest alone."
            )
        if self.known_holder:
            out.append(f"The code itself is on record for {self.known_holder}.")
        return [*out, *self.notes]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        r = self.resolution
        return {
            "read": r.read,
            "on": self.on.isoformat(),
            "explained": r.explained,
            "candidates": [
                {
                    "fish": self.fish[c.fish].name,
                    "probability": c.probability,
                    "how": c.how,
                    "tag_on_record": c.code or None,
                    "by_tag_never_entered": c.by_new_tag,
                    "evidence_log10": {k: finite(v) for k, v in c.evidence.items()},
                }
                for c in r.candidates
            ],
            "not_listed": r.others,
            "none_of_these": dict(r.none_of_these),
            "known_holder": self.known_holder or None,
            "notes": list(self.notes),
        }


def percent(p: float) -> str:
    """Return a probability in words that never claims certainty."""
    if p < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if p > 0.999 else f"{100 * p:.1f} %"


def finite(x: float) -> float | str:
    """Return a number for JSON; an impossible one as words."""
    return float(x) if np.isfinite(x) else "impossible"


def whose_tag(programme: Programme, read: str, hand: InHand, most: int = 10) -> WhoseTag:
    """Rank the fish that may carry a code.

    Parameters
    ----------
    programme : Programme
        Open records; with genotypes when a sample is named.
    read : str
        The code as typed or scanned.
    hand : InHand
        What else is known.
    most : int
        Most fish listed.

    Returns
    -------
    WhoseTag

    Raises
    ------
    UsageError
        If the place or the sample is unknown, or the code is empty.
    """
    if not read.strip():
        raise UsageError(
            "code: found nothing. Expected the code as it was read. Give what stands on the sheet."
        )
    on = hand.on or programme.today
    fish = individuals(programme, on)
    settings = programme.settings
    notes: list[str] = []
    weights = _weights(fish, on, float(settings["seen_again_survival"]))
    evidence: list[Evidence] = []
    if hand.at:
        evidence.append(_place(programme, fish, hand.at))
    if hand.length_mm is not None:
        evidence.append(_length(programme, fish, hand.length_mm, on))
    if hand.sex in ("female", "male"):
        agree = np.array(
            [0.5 if f.sex == "unknown" else 1 - SEX_WRONG if f.sex == hand.sex else SEX_WRONG for f in fish]
        )
        evidence.append(Evidence("sex", np.log(agree), float(np.log(0.5))))
    if hand.sample:
        evidence.append(_genotype(programme, fish, weights, hand.sample, notes))
    rate = float(settings["tag_scan_rate" if hand.scanned else "tag_slip_rate"])
    prior = Prior(
        float(settings["fish_not_in_records"]),
        float(settings["fish_not_in_records_ours"]),
        float(settings["tag_new_share"]),
    )
    world = tag_world(programme, fish)
    found = resolve(read, world, weights, evidence, prior=prior, model=SlipModel(rate), most=most)
    from broodstock.tags.slips import as_reading

    code = as_reading(read).decimal
    holder = ", ".join(sorted({fish[h.fish].name for h in world.by_code.get(code, ())}))
    notes.append(
        f"{len(fish)} fish considered for {on}; a code is taken to be wrong {'when scanned' if hand.scanned else 'when typed'} "
        f"once in {1 / rate:,.0f}. Scan the fish again before any record is changed: nothing was changed."
    )
    return WhoseTag(found, tuple(fish), on, holder, tuple(notes))


def bought_ranges(programme: Programme) -> TagRanges:
    """Return the ranges of tags bought, both ends of one kind and in order."""
    return TagRanges.sorted_from(
        (r.first_code, r.last_code, r.box, r.purpose or "fish")
        for r in rows(programme.tables["tags_bought"])
        if r.first_code and len(r.first_code) == len(r.last_code) and r.first_code <= r.last_code
    )


def scrapped_runs(programme: Programme) -> list[tuple[str, str]]:
    """Return the runs of tags that will never be used."""
    return [(r.first_code, r.last_code or r.first_code) for r in rows(programme.tables["tags_scrapped"])]


def tag_world(programme: Programme, fish: list[Individual]) -> TagWorld:
    """Return the tags there are: in fish, bought, scrapped."""
    holders = []
    for i, one in enumerate(fish):
        now = [c for c, (_, last) in one.tags.items() if last is None]
        old = [c for c in one.tags if c not in now]
        share = 1.0 if not old else 1 - OLD_TAG_SHARE
        if not now:
            share, now, old = 1.0, old, []
        holders += [Holder(c, i, share / len(now)) for c in now]
        holders += [Holder(c, i, OLD_TAG_SHARE / len(old)) for c in old]
    gone = frozenset(
        f"{n:015d}"
        for a, b in scrapped_runs(programme)
        if len(a) == len(b) == 15
        for n in range(int(a), int(b) + 1)
    )
    return TagWorld(tuple(holders), bought_ranges(programme), gone)


def _weights(fish: list[Individual], on: dt.date, survival: float) -> FloatArray:
    out = np.zeros(len(fish))
    for i, one in enumerate(fish):
        starts = [first for first, _ in one.tags.values()]
        if one.tags and all(s is not None and s > on for s in starts):
            continue
        if one.gone_on is not None and one.gone_on < on:
            out[i] = DEAD_WEIGHT
        elif one.status in IN_CARE or one.place_on is None:
            out[i] = 1.0
        else:
            out[i] = survival ** max(0.0, (on - one.place_on).days / 365.25)
    return out


def _place(programme: Programme, fish: list[Individual], at: str) -> Evidence:
    kinds = {r.site_id: r.kind for r in rows(programme.tables["sites"])}
    units = list(programme.tables["units"]["unit_id"])
    if at not in kinds and at not in units:
        raise UsageError(
            f"--at: found {at!r}. Expected a site or a unit: {', '.join([*kinds, *units][:30])}. Correct the name."
        )
    open_sites = [s for s, kind in kinds.items() if kind not in CLOSED]
    stay = float(programme.settings["seen_again_same_place"])
    return Evidence(
        "place",
        np.log([_chance_at(one, at, kinds, open_sites, len(units), stay) for one in fish]),
        float(-np.log(len(kinds) if at in kinds else len(kinds) + len(units))),
    )


def _chance_at(
    one: Individual, at: str, kinds: Mapping[str, str], open_sites: list[str], n_units: int, stay: float
) -> float:
    n_sites = max(1, len(kinds))
    if at not in kinds:
        if not one.in_station:
            return OUT_OF_PLACE / n_units
        return 0.9 if one.place == at else 0.1 / n_units
    if one.in_station:
        return OUT_OF_PLACE / n_sites
    if one.place not in kinds:
        return 1.0 / n_sites
    if kinds[one.place] in CLOSED:
        return 1 - OUT_OF_CLOSED if one.place == at else OUT_OF_CLOSED / n_sites
    if one.place == at:
        return stay
    if at in open_sites and len(open_sites) > 1:
        return max((1 - stay) * (1 - OUT_OF_CLOSED) / (len(open_sites) - 1), 1e-6)
    return OUT_OF_CLOSED / n_sites


def _length(programme: Programme, fish: list[Individual], length_mm: float, on: dt.date) -> Evidence:
    if not 5 <= length_mm <= 1500:
        raise UsageError(
            f"--length: found {length_mm:g}. Expected a total length from 5 to 1500 mm. Check the unit."
        )
    captures = programme.tables["captures"]
    lengths = (
        captures.loc[captures["length_type"].isin(["TL", ""]), "length_mm"]
        .dropna()
        .to_numpy(dtype=np.float64)
    )
    mean, sd = (
        (float(lengths.mean()), max(float(lengths.std()), 20.0)) if len(lengths) >= 10 else (400.0, 100.0)
    )
    model = GrowthModel(
        float(programme.settings["growth_largest_mm"]), float(programme.settings["growth_per_year"])
    )
    before = np.array([f.length_mm for f in fish], dtype=np.float64)
    years = np.array(
        [(on - f.length_on).days / 365.25 if f.length_on else np.nan for f in fish], dtype=np.float64
    )
    logs, new = log_length_density(length_mm, before, years, model, mean, sd)
    return Evidence("length", logs, new)


def _genotype(
    programme: Programme, fish: list[Individual], weights: FloatArray, sample: str, notes: list[str]
) -> Evidence:
    from broodstock.genotypes.same_fish import log_ratio_of_new_fish, match_sample

    holding = [g for g in programme.genotypes.values() if sample in g.index]
    if not holding:
        raise UsageError(
            f"--sample: found {sample!r}, which is in no genotype file. Expected the name of a typed sample. Correct "
            "the name."
        )
    genotypes = max(holding, key=lambda g: int(g.typed[:, g.index[sample]].sum()))
    best = [_best_sample(one, genotypes, sample) for one in fish]
    typed = [i for i, s in enumerate(best) if s is not None]
    logs = np.zeros(len(fish))
    if not typed:
        notes.append("No fish of the records is typed with these markers; the genotype says nothing.")
        return Evidence("genotype", logs, 0.0)
    match = match_sample(genotypes, genotypes.index[sample], [best[i] for i in typed])  # type: ignore[misc]
    logs[typed] = match.log_same
    new = log_ratio_of_new_fish(match, weights[typed], float(programme.settings["sib_not_in_records"]))
    top = int(match.log_same.argmax())
    notes.append(
        f"{len(typed)} of {len(fish)} fish have a genotype; best match {fish[typed[top]].name}: "
        f"{match.mismatches[top]} of {match.compared[top]} loci differ."
    )
    return Evidence("genotype", logs, new)


def _best_sample(one: Individual, genotypes: GenotypeSet, not_this: str) -> int | None:
    places = [genotypes.index[s] for s in one.samples if s != not_this and s in genotypes.index]
    return max(places, key=lambda k: int(genotypes.typed[:, k].sum())) if places else None
