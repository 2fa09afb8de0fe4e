"""Stock of tags against a slow count; loss of double tags against its formula and a simulation."""

from __future__ import annotations

import numpy as np
import pytest

from broodstock.errors import ValueRangeError
from broodstock.tags.near import TagRanges
from broodstock.tags.stock import loss_of_double_tags, tag_stock


def code(n: int) -> str:
    return f"99900900001{n:04d}"


def test_tag_stock__agrees_with_counting_one_by_one() -> None:
    rng = np.random.default_rng(3)
    for _ in range(40):
        cuts = np.sort(rng.choice(300, 4, replace=False)).tolist()
        ranges = TagRanges.sorted_from(
            [(code(cuts[0]), code(cuts[1]), "A", "fish"), (code(cuts[2]), code(cuts[3]), "B", "fish")]
        )
        used = {code(int(i)) for i in rng.choice(320, int(rng.integers(0, 200)), replace=False)}
        runs = [(code(int(a)), code(int(a + b))) for a, b in rng.integers(0, 60, (3, 2))]
        stock = tag_stock(ranges, used, runs)
        scrapped = {code(i) for i in range(320) if any(a <= code(i) <= b for a, b in runs)}
        for box in stock.boxes:
            all_codes = [code(i) for i in range(320) if box.first <= code(i) <= box.last]
            free = [c for c in all_codes if c not in used and c not in scrapped]
            assert box.used == len(used & set(all_codes))
            assert box.scrapped == len((scrapped - used) & set(all_codes))
            assert box.left == len(free)
            assert box.next_free == (free[0] if free else "")
            assert box.bought == box.used + box.scrapped + box.left
        assert set(stock.used_scrapped) == used & scrapped
        assert set(stock.never_bought) == {c for c in used if c not in ranges}


def test_tag_stock__names_codes_in_two_boxes_and_keeps_legacy_apart() -> None:
    ranges = TagRanges.sorted_from(
        [
            (code(0), code(50), "A", "fish"),
            (code(40), code(90), "B", "fish"),
            ("1F74370000", "1F743700FF", "L", "fish"),
        ]
    )
    stock = tag_stock(ranges, {code(45), "1F74370010"})
    assert stock.in_two_boxes == (("A", "B", code(40), code(50)),)
    assert {b.box: (b.bought, b.used) for b in stock.boxes} == {"A": (51, 1), "B": (51, 1), "L": (256, 1)}


def test_loss_of_double_tags__is_the_formula_and_covers() -> None:
    found = loss_of_double_tags(40, 20)
    assert found.value == pytest.approx(20 / 100)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.2 < found.high
    rng = np.random.default_rng(4)
    q, inside, n = 0.15, 0, 400
    for _ in range(n):
        kept = rng.random((80, 2)) > q
        e = loss_of_double_tags(int((kept.sum(1) == 2).sum()), int((kept.sum(1) == 1).sum()))
        assert e.low is not None
        assert e.high is not None
        inside += e.low <= q <= e.high
    assert inside / n > 0.93


def test_loss_of_double_tags__limits() -> None:
    assert not loss_of_double_tags(0, 0).estimable
    assert loss_of_double_tags(10, 0).value == 0
    assert loss_of_double_tags(0, 10).value == 1
    with pytest.raises(ValueRangeError, match="double tags"):
        loss_of_double_tags(-1, 2)
