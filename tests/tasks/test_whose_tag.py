"""Whose tag and stock of tags on the tiny practice programme."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest

from broodstock.errors import UsageError
from planner.tasks.individuals import individuals
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.tag_stock import tag_report
from planner.tasks.whose_tag import InHand, whose_tag

DAY = dt.date(2024, 10, 20)


def test_individuals__know_each_tag_once(tiny: Programme) -> None:
    fish = individuals(tiny, DAY)
    assert len({f.name for f in fish}) == len(fish)
    codes = [c for f in fish for c in f.tags]
    assert len(codes) == len(set(codes))
    known = {r.tag for name in ("stock", "releases", "fish") for r in rows(tiny.tables[name])} - {""}
    assert known <= set(codes)


def test_individuals__leave_out_what_happened_later(tiny: Programme) -> None:
    then = individuals(tiny, dt.date(2020, 1, 1))
    assert all(f.place_on is None or f.place_on <= dt.date(2020, 1, 1) or f.in_station for f in then)
    assert all(f.length_on is None or f.length_on <= dt.date(2020, 1, 1) for f in then)


def test_whose_tag__finds_swapped_digits_and_says_what_else_it_may_be(tiny: Programme) -> None:
    fish = individuals(tiny, DAY)
    at_large = next(f for f in fish if f.status == "released" and f.place == "QL")
    code = next(iter(at_large.tags))
    k = next(i for i in range(6, 14) if code[i] != code[i + 1])
    read = code[:k] + code[k + 1] + code[k] + code[k + 2 :]
    if any(read in f.tags for f in fish):
        pytest.skip("the swapped code is another fish")
    found = whose_tag(tiny, read, InHand(at="QL"))
    total = (
        sum(c.probability for c in found.resolution.candidates)
        + found.resolution.others
        + found.resolution.none
    )
    assert total == pytest.approx(1)
    assert at_large.name in [row[0] for row in found.table()[1]][:2]
    assert "none of the fish of the records" in "\n".join(found.lines())
    assert found.as_dict()["candidates"]


def test_whose_tag__names_the_holder_of_a_known_code(tiny: Programme) -> None:
    code = tiny.tables["stock"]["tag"].iloc[0]
    found = whose_tag(tiny, code, InHand(scanned=True))
    assert found.known_holder
    assert found.resolution.candidates[0].probability > 0.99


def test_whose_tag__a_fish_of_the_station_is_unlikely_in_the_lake(tiny: Programme) -> None:
    code = tiny.tables["stock"]["tag"].iloc[0]
    read = code[:-1] + str((int(code[-1]) + 5) % 10)
    here, there = (whose_tag(tiny, read, InHand(at=p)) for p in (tiny.tables["stock"]["unit"].iloc[0], "BB"))

    def chance(found, name: str) -> float:  # type: ignore[no-untyped-def]
        return sum(c.probability for c in found.resolution.candidates if found.fish[c.fish].name == name)

    name = next(f.name for f in here.fish if code in f.tags)
    assert chance(here, name) > chance(there, name)


def test_whose_tag__refuses_unknown_places_and_samples(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="--at: found 'nowhere'"):
        whose_tag(tiny, "999009000019999", InHand(at="nowhere"))
    with pytest.raises(UsageError, match="--sample: found 'S-none'"):
        whose_tag(tiny, "999009000019999", InHand(sample="S-none"))
    with pytest.raises(UsageError, match="code: found nothing"):
        whose_tag(tiny, " ", InHand())
    with pytest.raises(UsageError, match="Check the unit"):
        whose_tag(tiny, "999009000019999", InHand(length_mm=3.1))


def test_whose_tag__genotype_of_a_known_fish_leads_to_it(tiny: Programme) -> None:
    """A second sample of one fish in the practice data: a replicate."""
    samples = tiny.tables["samples"]
    repeats = samples[samples["replicate_of"].ne("")]
    original = dict(zip(samples["sample_id"], samples["fish_id"], strict=True))
    pairs = [
        (r.sample_id, original.get(r.replicate_of, ""))
        for r in rows(repeats)
        if r.sample_id in tiny.genotypes["snps"].index and original.get(r.replicate_of)
    ]
    if not pairs:
        pytest.skip("no replicate of a fish in this programme")
    sample, fish = pairs[0]
    found = whose_tag(tiny, "985120000000777", InHand(sample=sample))
    weights = {found.fish[c.fish].name: c.evidence["genotype"] for c in found.resolution.candidates}
    assert weights[fish] > max(weights.values()) - 0.5  # a fish under two identities matches under both
    assert sum(w > 0 for w in weights.values()) <= 3


def test_tag_report__adds_up(tiny: Programme) -> None:
    report = tag_report(tiny)
    for box in report.stock.boxes:
        assert box.bought == box.used + box.scrapped + box.left
    assert report.as_dict()["boxes"]
    box = next(b for b in report.stock.boxes if b.left)
    scrapped = pd.DataFrame({"first_code": [box.next_free], "last_code": [""]})
    again = tag_report(replace(tiny, tables={**tiny.tables, "tags_scrapped": scrapped}))
    changed = next(b for b in again.stock.boxes if b.box == box.box)
    assert (changed.left, changed.scrapped) == (box.left - 1, box.scrapped + 1)
