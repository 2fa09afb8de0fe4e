"""Whose tag is it? Candidate fish for a code that the records do not know, with probabilities.

Bayes' theorem over every fish of the records and over what else may carry the code:

- a fish of the records whose tag was written wrongly;
- a fish of the records with a tag that was never entered (a new tag after a loss);
- a fish that is not in the records, with one of our tags or with a tag of somebody else;
- a marker tag.

The chance of the text under each comes from the slips of `broodstock.tags.slips`; chances of the place, the time, the
length, the sex and the genotype come as logarithms of likelihoods from the caller, one per fish and one for a fish
that is not in the records. All kinds of evidence are taken as independent given the fish.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from broodstock.arrays import FloatArray
from broodstock.errors import ShapeError, ValueRangeError
from broodstock.tags.codes import MAX_NUMBER, is_iso, is_legacy
from broodstock.tags.near import TagRanges
from broodstock.tags.slips import (
    SPAN_KINDS,
    Reading,
    SlipModel,
    as_reading,
    near_texts,
    reading_chance,
    spans_of,
    two_wrong,
)

WRONG, UNRECORDED = "written wrongly", "a new tag that was never entered"
NOT_ENTERED, ELSEWHERE, MARKER = (
    "a fish that is not in the records, with one of our tags",
    "a fish that is not in the records, with a tag of somebody else",
    "a marker tag",
)


@dataclass(frozen=True, slots=True)
class Holder:
    """One tag of one fish.

    Parameters
    ----------
    code : str
        Internal form.
    fish : int
        Position of the fish.
    share : float
        Chance that this is the tag read when the fish is read; the shares of one fish sum to 1.
    """

    code: str
    fish: int
    share: float = 1.0


@dataclass(frozen=True)
class Prior:
    """What is believed before the code is looked at; every number is a setting, no source.

    Parameters
    ----------
    not_in_records : float
        Share of handled fish that are not in the records.
    of_ours : float
        Among them, and among tags never entered: share with a tag of our own ranges.
    new_tag : float
        Share of the fish of the records that carry a tag that was never entered.
    marker : float
        Share of readings that are of marker tags, when marker tags were bought.

    Raises
    ------
    ValueRangeError
        If a share is outside 0 to 1.
    """

    not_in_records: float = 0.05
    of_ours: float = 0.5
    new_tag: float = 0.005
    marker: float = 0.01

    def __post_init__(self) -> None:
        for name in ("not_in_records", "of_ours", "new_tag", "marker"):
            share = getattr(self, name)
            if not 0 <= share <= 1:
                raise ValueRangeError(
                    f"prior, {name}: found {share}. Expected a share from 0 to 1. Correct it."
                )


@dataclass(frozen=True)
class Evidence:
    """One kind of evidence about the fish in hand.

    Parameters
    ----------
    name : str
        ``place``, ``length``, ``sex`` or ``genotype``.
    log_likelihood : ndarray, float64, shape (n_fish,)
        Natural logarithm of the likelihood for each fish; minus infinity for the impossible.
    log_new : float
        The same for a fish that is not in the records.
    """

    name: str
    log_likelihood: FloatArray
    log_new: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """One fish that may be the one in hand.

    Parameters
    ----------
    fish : int
        Position.
    code : str
        Tag of the records that explains the reading best; empty when only a tag never entered does.
    how : str
        The likeliest way in words.
    probability : float
        Posterior probability, every way together.
    by_new_tag : float
        Part of it by a tag that was never entered.
    evidence : mapping of str to float
        Logarithm to base 10 of the likelihood against a fish that is not in the records, by kind of evidence.
    """

    fish: int
    code: str
    how: str
    probability: float
    by_new_tag: float
    evidence: Mapping[str, float]


@dataclass(frozen=True)
class Resolution:
    """The answer: every fish worth naming and what is left for the rest.

    Parameters
    ----------
    read : str
        As given.
    candidates : tuple of Candidate
        Best first; those left out are in `others`.
    others : float
        Probability of all fish of the records that are not listed.
    none_of_these : mapping of str to float
        Probability of a fish that is not in the records (with one of our tags, with another) and of a marker tag.
    explained : bool
        False when no way of writing leads to the text; the probabilities then rest on the other evidence alone.
    """

    read: str
    candidates: tuple[Candidate, ...]
    others: float
    none_of_these: Mapping[str, float]
    explained: bool

    @property
    def none(self) -> float:
        """Probability that it is no fish of the records."""
        return float(sum(self.none_of_these.values()))


@dataclass(frozen=True)
class TagWorld:
    """The tags there are: those in fish, those bought, those of others.

    Parameters
    ----------
    holders : tuple of Holder
        Tags of the fish of the records, past and present.
    ranges : TagRanges
        Bought ranges, for fish and markers.
    unusable : frozenset of str
        Further codes that no unknown fish carries, for example scrapped tags.
    foreign : tuple of (str, str, float)
        First and last code and weight of spans in which tags of other programmes lie; weights sum to 1. Default:
        `spans_of_others`.

    Raises
    ------
    ValueRangeError
        If the weights of the spans do not sum to 1.
    """

    holders: tuple[Holder, ...]
    ranges: TagRanges
    unusable: frozenset[str] = frozenset()
    foreign: tuple[tuple[str, str, float], ...] = ()

    def __post_init__(self) -> None:
        if self.foreign and abs(sum(w for _, _, w in self.foreign) - 1) > 1e-6:
            raise ValueRangeError(
                f"tags of others: found weights that sum to {sum(w for _, _, w in self.foreign):g}. Expected 1. "
                "Divide them by their sum."
            )

    @cached_property
    def spans(self) -> tuple[tuple[str, str, float], ...]:
        """Spans of the tags of others in use."""
        return self.foreign or spans_of_others(self.ranges)

    @cached_property
    def by_code(self) -> dict[str, list[Holder]]:
        """Holders by code."""
        out: dict[str, list[Holder]] = {}
        for holder in self.holders:
            out.setdefault(holder.code, []).append(holder)
        return out

    @cached_property
    def taken(self) -> tuple[list[int], list[int]]:
        """Codes no unknown fish carries, as sorted numbers: ISO, legacy."""
        codes = {h.code for h in self.holders} | set(self.unusable)
        return sorted(int(c) for c in codes if is_iso(c)), sorted(int(c, 16) for c in codes if is_legacy(c))

    @cached_property
    def letters(self) -> tuple[list[str], np.ndarray, list[str], np.ndarray, np.ndarray]:
        """Known codes as arrays of characters: ISO codes, legacy codes, and the ISO codes in hexadecimal."""
        iso = sorted(c for c in self.by_code if is_iso(c))
        legacy = sorted(c for c in self.by_code if is_legacy(c))
        hexa = [f"{int(c[:3]):03X}{int(c[3:]):010X}" for c in iso]
        return iso, _letters(iso, 15), legacy, _letters(legacy, 10), _letters(hexa, 13)

    def near(self, reading: Reading) -> set[str]:
        """Return the codes of the records that some slip may have turned into the reading."""
        iso, iso_letters, legacy, legacy_letters, hexa = self.letters
        found = {c for c in near_texts(reading) if c in self.by_code}
        for text, table, codes in (
            (reading.decimal, iso_letters, iso),
            (reading.decimal, legacy_letters, legacy),
            (reading.hexadecimal, hexa, iso),
        ):
            if text and text.isascii() and len(codes):
                if len(text) == table.shape[1]:
                    differ = (table != np.frombuffer(text.encode(), dtype=np.uint8)).sum(axis=1)
                    found.update(codes[i] for i in np.flatnonzero(differ <= 2))
                elif 4 < len(text) < table.shape[1]:
                    piece = np.frombuffer(text.encode(), dtype=np.uint8)
                    starts = (table[:, : len(text)] == piece).all(axis=1)
                    ends = (table[:, table.shape[1] - len(text) :] == piece).all(axis=1)
                    found.update(codes[i] for i in np.flatnonzero(starts | ends))
        for first, last, kind, _ in spans_of(reading):
            if kind == "rounded by a spreadsheet":
                found.update(iso[bisect_left(iso, first) : bisect_right(iso, last)])
        if reading.number is not None:
            found.update(c for c in legacy if "E" in c)
        return found


def spans_of_others(ranges: TagRanges) -> tuple[tuple[str, str, float], ...]:
    """Return where the tags of other programmes may lie.

    Half of them near ours (the same first six digits, as when two programmes buy from one maker), four tenths anywhere
    under our maker codes, the rest under any maker code or of the legacy kind. A guess, no source.
    """
    makers = sorted({f[:3] for f in ranges.first if len(f) == 15}) or ["900"]
    near = sorted({f[:6] for f in ranges.first if len(f) == 15})
    anywhere = [(f"{m}{0:012d}", f"{m}{MAX_NUMBER:012d}", 0.4 / len(makers)) for m in makers]
    close = [(n + "0" * 9, min(n + "9" * 9, f"{n[:3]}{MAX_NUMBER:012d}"), 0.5 / len(near)) for n in near]
    rest = 1.0 - sum(w for *_, w in anywhere + close)
    every = [(f"{m}{0:012d}", f"{m}{MAX_NUMBER:012d}", 0.9 * rest / 100) for m in range(900, 1000)]
    return (*close, *anywhere, *every, ("0" * 10, "F" * 10, 0.1 * rest))


def resolve(
    read: str,
    world: TagWorld,
    weights: FloatArray,
    evidence: Sequence[Evidence] = (),
    *,
    prior: Prior | None = None,
    model: SlipModel | None = None,
    most: int = 10,
) -> Resolution:
    """Rank the fish that may carry a code that was read.

    Parameters
    ----------
    read : str
        The code as typed or as it stands in a file.
    world : TagWorld
        The tags there are.
    weights : ndarray, float64, shape (n_fish,)
        Relative chance of each fish of the records to be the one in hand before anything was read or measured; 0 for a
        fish that cannot be there.
    evidence : sequence of Evidence
        What else is known of the fish in hand.
    prior : Prior, optional
        Shares of the alternatives.
    model : SlipModel, optional
        Chances of slips.
    most : int
        Most candidates to list.

    Returns
    -------
    Resolution
        All probabilities sum to 1.

    Raises
    ------
    ShapeError
        If an array has another length than the weights, or a holder names a fish beyond them.
    ValueRangeError
        If a weight is negative or not a number.

    Notes
    -----
    Bayes' theorem: the probability of a hypothesis is its prior times the product of the likelihoods, divided by the
    sum of the same over all hypotheses.
    """
    prior, model = prior or Prior(), model or SlipModel()
    weights = np.asarray(weights, dtype=np.float64)
    _check(world, weights, evidence)
    reading = as_reading(read)
    ours, others, markers = _unknown_chances(reading, world, model)
    tag = np.zeros(len(weights))
    best: dict[int, tuple[float, str, str]] = {}
    for code in world.near(reading):
        chance, kind = reading_chance(reading, code, model)
        for holder in world.by_code[code]:
            part = holder.share * chance
            tag[holder.fish] += part
            if part > best.get(holder.fish, (0.0, "", ""))[0]:
                best[holder.fish] = (part, code, kind)
    total = weights.sum()
    has_markers = "marker" in world.ranges.purposes
    marker_share = prior.marker if has_markers else 0.0
    of_ours = prior.of_ours if len(world.ranges) else 0.0
    unrecorded = of_ours * ours + (1 - of_ours) * others
    explained = bool(tag[weights > 0].any() or unrecorded > 0 or markers > 0)
    if not explained:
        tag[:], unrecorded, ours, others = 1.0, 1.0, 1.0, 1.0
    known_share = (1 - marker_share) * (1 - prior.not_in_records) if total > 0 else 0.0
    new_share = 1 - marker_share - known_share
    logs = np.zeros(len(weights))
    for one in evidence:
        logs += one.log_likelihood
    log_new = sum(e.log_new for e in evidence)
    shift = max(float(logs[weights > 0].max(initial=-np.inf)), log_new)
    with np.errstate(under="ignore"):
        like = np.exp(logs - shift)
        new_like = float(np.exp(log_new - shift))
    base = known_share * weights / (total if total > 0 else 1.0) * like
    wrong, retagged = base * (1 - prior.new_tag) * tag, base * prior.new_tag * unrecorded
    none = {
        NOT_ENTERED: new_share * of_ours * ours * new_like,
        ELSEWHERE: new_share * (1 - of_ours) * others * new_like,
    }
    if has_markers:
        none[MARKER] = marker_share * markers * new_like
    norm = float(wrong.sum() + retagged.sum() + sum(none.values()))
    if norm <= 0:
        return Resolution(read, (), 0.0, {ELSEWHERE: 1.0}, False)
    probability = (wrong + retagged) / norm
    order = np.argsort(-probability, kind="stable")[:most]
    listed = [int(i) for i in order if probability[i] > 1e-6]
    candidates = tuple(
        _candidate(i, probability[i], retagged[i] / norm, best.get(i), evidence) for i in listed
    )
    left = max(0.0, 1.0 - float(probability[listed].sum()) - sum(none.values()) / norm)
    return Resolution(read, candidates, left, {k: v / norm for k, v in none.items()}, explained)


def _candidate(
    fish: int,
    probability: float,
    by_new_tag: float,
    best: tuple[float, str, str] | None,
    evidence: Sequence[Evidence],
) -> Candidate:
    by_slip = best is not None and by_new_tag < probability / 2
    how = best[2] if best is not None and by_slip else UNRECORDED
    against = {e.name: float((e.log_likelihood[fish] - e.log_new) / np.log(10)) for e in evidence}
    return Candidate(fish, best[1] if best else "", how, float(probability), float(by_new_tag), against)


def _check(world: TagWorld, weights: FloatArray, evidence: Sequence[Evidence]) -> None:
    if weights.ndim != 1 or not (weights >= 0).all() or not np.isfinite(weights).all():
        raise ValueRangeError(
            "weights of the fish: found a negative number or one that is no number. Expected one number of at least 0 "
            "for each fish. Give 0 for a fish that cannot be there."
        )
    for one in evidence:
        if one.log_likelihood.shape != weights.shape:
            raise ShapeError(
                f"evidence of the {one.name}: found shape {one.log_likelihood.shape}. Expected {weights.shape}, one "
                "per fish."
            )
        if np.isnan(one.log_likelihood).any() or np.isnan(one.log_new):
            raise ValueRangeError(
                f"evidence of the {one.name}: found a likelihood that is no number. Expected logarithms. Give 0 for "
                "every fish when nothing is known."
            )
    beyond = [h for h in world.holders if not 0 <= h.fish < len(weights)]
    if beyond:
        raise ShapeError(
            f"tag {beyond[0].code!r}: found fish number {beyond[0].fish}. Expected 0 to {len(weights) - 1}."
        )


def _unknown_chances(reading: Reading, world: TagWorld, model: SlipModel) -> tuple[float, float, float]:
    """Return the chance of the reading for an unused tag of ours, a tag of others, and a marker tag."""
    known = world.by_code
    variants: dict[str, float] = {}
    for code in (*near_texts(reading), *two_wrong(reading)):
        if code not in variants:
            variants[code] = reading_chance(reading, code, model, SPAN_KINDS)[0]
    free = {c: p for c, p in variants.items() if p > 0 and c not in known and c not in world.unusable}
    spans = [
        (first, last, model.rate * model.shares.get(kind, 0.0) * chance)
        for first, last, kind, chance in spans_of(reading)
    ]
    pieces = [
        (first, last, purpose)
        for first, last, purpose in zip(
            world.ranges.first, world.ranges.last, world.ranges.purposes, strict=True
        )
    ]
    fish = [(a, b) for a, b, purpose in pieces if purpose != "marker"]
    marker = [(a, b) for a, b, purpose in pieces if purpose == "marker"]
    ours = _over(fish, free, spans, world.taken)
    markers = _over(marker, variants, spans, ([], []))
    others = sum(w * _over([(a, b)], variants, spans, ([], [])) for a, b, w in world.spans)
    return ours, others, markers


def _over(
    pieces: Iterable[tuple[str, str]],
    variants: Mapping[str, float],
    spans: Iterable[tuple[str, str, float]],
    taken: tuple[list[int], list[int]],
) -> float:
    """Return the mean chance of the reading over all free codes of some ranges."""
    pieces = list(pieces)
    size = sum(_free(a, b, taken) for a, b in pieces)
    if size <= 0:
        return 0.0
    total = sum(
        p for code, p in variants.items() for a, b in pieces if len(a) == len(code) and a <= code <= b
    )
    for first, last, chance in spans:
        for a, b in pieces:
            if len(a) == 15 and first <= b and a <= last:
                total += chance * _free(max(a, first), min(b, last), taken)
    return total / size


def _free(first: str, last: str, taken: tuple[list[int], list[int]]) -> int:
    """Return the number of codes of a range that are not taken."""
    iso = len(first) == 15
    low, high = (int(first), int(last)) if iso else (int(first, 16), int(last, 16))
    used = taken[0] if iso else taken[1]
    return high - low + 1 - (bisect_right(used, high) - bisect_left(used, low))


def _letters(codes: Sequence[str], width: int) -> np.ndarray:
    return np.frombuffer("".join(codes).encode(), dtype=np.uint8).reshape(len(codes), width)
