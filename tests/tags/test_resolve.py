"""Whose tag: the distribution of slips, the resolver against a slow form, and its calibration."""

from __future__ import annotations

import math

import numpy as np
import pytest

from broodstock.errors import ShapeError, ValueRangeError
from broodstock.tags.codes import Tag, parse_tag
from broodstock.tags.near import TagRanges
from broodstock.tags.resolve import (
    ELSEWHERE,
    MARKER,
    NOT_ENTERED,
    UNRECORDED,
    Evidence,
    Holder,
    Prior,
    TagWorld,
    resolve,
)
from broodstock.tags.slips import SHARES, SlipModel, as_reading, reading_chance

CODE = "999009000012345"
MODEL = SlipModel(0.2)


def slip(code: str, kind: str, rng: np.random.Generator) -> str:
    """Make one slip by hand, as the kinds are described; independent of the code under test."""
    n = len(code)
    digits = "0123456789" if n == 15 else "0123456789ABCDEF"
    i = int(rng.integers(n))

    def other(old: str) -> str:
        return str(rng.choice([d for d in digits if d != old]))

    if kind == "one digit wrong":
        return code[:i] + other(code[i]) + code[i + 1 :]
    if kind == "two digits wrong":
        i, j = sorted(rng.choice(n, 2, replace=False).tolist())
        return code[:i] + other(code[i]) + code[i + 1 : j] + other(code[j]) + code[j + 1 :]
    if kind == "two digits swapped":
        k = int(rng.choice([k for k in range(n - 1) if code[k] != code[k + 1]]))
        return code[:k] + code[k + 1] + code[k] + code[k + 2 :]
    if kind == "one digit missing":
        return code[:i] + code[i + 1 :]
    if kind == "one digit doubled":
        return code[: i + 1] + code[i:]
    if kind == "one digit too many":
        k = int(rng.integers(n + 1))
        return code[:k] + str(rng.choice(list(digits))) + code[k:]
    if kind == "end cut off":
        return code[: n - int(rng.integers(2, 10))]
    if kind == "country or maker code left out":
        return code[3:] if n == 15 else code
    if n == 10:
        return code
    kept = int(rng.integers(3, 13))
    step = 10 ** (15 - kept)
    whole = (int(code) + step // 2) // step * step
    if rng.random() < 0.5:
        return f"{whole:015d}"
    mantissa, power = f"{whole:.14E}".split("E")
    return f"{mantissa.rstrip('0').rstrip('.')}E{power}"


def test_reading_chance__is_the_share_of_readings_made_by_hand() -> None:
    rng = np.random.default_rng(5)
    code = "999009000010335"
    n = 60_000
    seen: dict[str, int] = {}
    for kind in rng.choice(list(SHARES), n, p=list(SHARES.values())):
        text = slip(code, str(kind), rng)
        seen[text] = seen.get(text, 0) + 1
    checked = 0
    for text, count in seen.items():
        if count < 150:
            continue
        # A text with fifteen digits is taken to be decimal in 9 readings out of 10.
        reading = as_reading(text)
        expected = reading_chance(reading, code, MODEL)[0] / MODEL.rate
        if len(text) == 15 and reading.hexadecimal:
            expected /= reading.decimal_share
        if reading.decimal != text and reading.number is None:
            continue
        se = math.sqrt(count) / n
        assert abs(expected - count / n) < 5 * se + 1e-4, text
        checked += 1
    assert checked > 40


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("999090000012345", "two digits swapped"),
        ("999009000012346", "one digit wrong"),
        ("99900900001234", "one digit missing"),
        ("9990090000123455", "one digit doubled"),
        ("9990090000812345", "one digit too many"),
        ("9990090000", "end cut off"),
        ("009000012345", "country or maker code left out"),
        ("9.99009E+14", "rounded by a spreadsheet"),
        ("999009000012000", "rounded by a spreadsheet"),
        ("999009000012645", "one digit wrong"),
        (CODE, "as read"),
    ],
)
def test_reading_chance__names_the_slip(text: str, kind: str) -> None:
    chance, found = reading_chance(as_reading(text), CODE, MODEL)
    assert found == kind
    assert 0 < chance <= 1


def test_reading_chance__sees_slips_of_the_hexadecimal_form() -> None:
    tag = parse_tag(CODE)
    assert isinstance(tag, Tag)
    wrong = tag.as_hex()[:-1] + ("0" if tag.as_hex()[-1] != "0" else "1")
    assert reading_chance(as_reading(wrong), CODE, MODEL)[1] == "one digit wrong"
    # The same slip, turned into fifteen digits on the way into the file.
    turned = parse_tag(wrong)
    assert isinstance(turned, Tag)
    assert reading_chance(as_reading(turned.code), CODE, MODEL)[0] > 0
    # The ten characters alone look like a legacy code.
    assert reading_chance(as_reading(tag.as_hex()[4:]), CODE, MODEL)[1] == "country or maker code left out"
    assert reading_chance(as_reading("1.234567E+18"), "1234567E12", MODEL)[1] == "rounded by a spreadsheet"


def test_reading_chance__sums_to_no_more_than_one() -> None:
    """All texts one substitution away, the swaps and the code itself are disjoint ways."""
    from broodstock.tags.near import one_slip

    texts = {t for t, _ in one_slip(CODE)} | {CODE}
    total = sum(reading_chance(as_reading(t), CODE, MODEL)[0] for t in texts)
    near = SHARES["one digit wrong"] + SHARES["two digits swapped"]
    assert total <= 1
    assert total > 1 - MODEL.rate + MODEL.rate * near * 0.85


def world_of(rng: np.random.Generator, n: int, size: int = 3000) -> tuple[TagWorld, list[str]]:
    codes = [f"99900900001{i:04d}" for i in rng.permutation(size)[:n]]
    ranges = TagRanges.sorted_from(
        [
            ("999009000010000", f"99900900001{size - 1:04d}", "B1", "fish"),
            ("999009000099990", "999009000099999", "M", "marker"),
        ]
    )
    return TagWorld(tuple(Holder(c, i) for i, c in enumerate(codes)), ranges), codes


def test_resolve__agrees_with_the_slow_sum_over_all_fish() -> None:
    rng = np.random.default_rng(11)
    world, codes = world_of(rng, 60)
    weights = rng.random(60)
    length = Evidence("length", rng.normal(0, 1, 60), -0.3)
    prior = Prior()
    for read in (
        "999009000019999",
        codes[3][:-1] + "x",
        codes[5][:9],
        codes[7] + "1",
        "9.99009E+14",
        "999009000010",
    ):
        fast = resolve(read, world, weights, [length], prior=prior, model=MODEL, most=60)
        reading = as_reading(read)
        tag = np.array([reading_chance(reading, c, MODEL)[0] for c in codes])
        if not fast.explained:
            continue
        # Tags that were never entered add the same number to every fish; take it out.
        mine = np.array([0.0] * 60)
        for c in fast.candidates:
            mine[c.fish] = c.probability - c.by_new_tag
        slow = weights * np.exp(length.log_likelihood) * tag
        if slow.sum() > 0:
            assert mine / mine.sum() == pytest.approx(slow / slow.sum(), abs=1e-4)


def test_resolve__probabilities_sum_to_one_and_do_not_depend_on_the_order_of_fish() -> None:
    rng = np.random.default_rng(2)
    world, codes = world_of(rng, 40)
    weights = rng.random(40)
    read = codes[4][:-2] + codes[4][-1] + codes[4][-2]
    a = resolve(read, world, weights, most=40)
    assert sum(c.probability for c in a.candidates) + a.others + a.none == pytest.approx(1)
    order = rng.permutation(40)
    place = np.argsort(order)
    turned = TagWorld(tuple(Holder(h.code, int(place[h.fish])) for h in world.holders), world.ranges)
    b = resolve(read, turned, weights[order], most=40)
    assert [order[c.fish] for c in b.candidates][:3] == [c.fish for c in a.candidates][:3]
    assert [c.probability for c in b.candidates] == pytest.approx([c.probability for c in a.candidates])


def test_resolve__a_fish_that_cannot_be_there_is_no_candidate() -> None:
    world, codes = world_of(np.random.default_rng(3), 5)
    weights = np.array([1.0, 0.0, 1.0, 1.0, 1.0])
    answer = resolve(codes[1], world, weights)
    assert all(c.fish != 1 for c in answer.candidates)


def test_resolve__genotype_finds_the_fish_with_a_tag_never_entered() -> None:
    world, _ = world_of(np.random.default_rng(4), 50)
    logs = np.full(50, -40.0)
    logs[17] = 25.0
    answer = resolve("985120000000777", world, np.ones(50), [Evidence("genotype", logs, 0.0)])
    best = answer.candidates[0]
    assert (best.fish, best.how, best.code) == (17, UNRECORDED, "")
    assert best.probability > 0.99
    assert best.evidence["genotype"] == pytest.approx(25 / math.log(10))


def test_resolve__one_of_our_unused_tags_is_a_fish_never_entered() -> None:
    rng = np.random.default_rng(6)
    world, codes = world_of(rng, 50)
    unused = next(f"99900900001{i:04d}" for i in range(2468, 3000) if f"99900900001{i:04d}" not in codes)
    answer = resolve(unused, world, np.ones(50))
    assert answer.none_of_these[NOT_ENTERED] > 0.5
    assert resolve("999009000099995", world, np.ones(50)).none_of_these[MARKER] > 0.9
    assert resolve("985120000000777", world, np.ones(50)).none_of_these[ELSEWHERE] > 0.85


def test_resolve__says_when_no_way_of_writing_leads_to_the_text() -> None:
    world, _ = world_of(np.random.default_rng(7), 5)
    answer = resolve("hello", world, np.ones(5))
    assert not answer.explained
    assert answer.none + answer.others + sum(c.probability for c in answer.candidates) == pytest.approx(1)


def test_resolve__refuses_arrays_that_do_not_fit() -> None:
    world, codes = world_of(np.random.default_rng(8), 5)
    with pytest.raises(ShapeError, match="Expected \\(5,\\), one per fish"):
        resolve(codes[0], world, np.ones(5), [Evidence("sex", np.zeros(4), 0.0)])
    with pytest.raises(ValueRangeError, match="Expected one number of at least 0"):
        resolve(codes[0], world, np.array([1, 1, 1, 1, -1.0]))
    with pytest.raises(ShapeError, match="found fish number 4"):
        resolve(codes[0], world, np.ones(4))
    with pytest.raises(ValueRangeError, match="Expected a share from 0 to 1"):
        Prior(not_in_records=2)
    with pytest.raises(ValueRangeError, match="above 0 and below 1"):
        SlipModel(0)
    with pytest.raises(ValueRangeError, match="kind 'sneeze'"):
        SlipModel(0.1, {"sneeze": 1.0})


def calibration(n_readings: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Play readings with known truth; return stated probabilities of every claim and whether each was right.

    Fish differ in weight, length and sex; a share are not in the records; a share carry a tag never entered. Only
    readings whose text is no tag of the records are put to the resolver, as in use.
    """
    rng = np.random.default_rng(seed)
    n = 300
    world, codes = world_of(rng, n, size=1200)
    known = set(codes)
    free = [c for c in (f"99900900001{i:04d}" for i in range(1200)) if c not in known]
    weights = rng.gamma(1.0, size=n)
    before = rng.normal(380, 60, n)
    prior = Prior(not_in_records=0.1, of_ours=0.4, new_tag=0.05, marker=0.02)
    stated: list[float] = []
    right: list[bool] = []
    kinds, shares = list(SHARES), np.array(list(SHARES.values()))
    spans = world.spans
    span_weights = np.array([w for *_, w in spans])

    def foreign() -> str:
        first, last, _ = spans[int(rng.choice(len(spans), p=span_weights / span_weights.sum()))]
        base = 10 if len(first) == 15 else 16
        value = int(first, base) + int(rng.integers(0, int(last, base) - int(first, base) + 1))
        return f"{value:015d}" if base == 10 else f"{value:010X}"

    def unrecorded() -> str:
        return str(rng.choice(free)) if rng.random() < prior.of_ours else foreign()

    while len(stated) < n_readings:
        draw = rng.random()
        truth = -1
        if draw < prior.marker:
            code = f"99900900009999{int(rng.integers(10))}"
        elif draw < prior.marker + (1 - prior.marker) * prior.not_in_records:
            code = unrecorded()
        else:
            truth = int(rng.choice(n, p=weights / weights.sum()))
            code = unrecorded() if rng.random() < prior.new_tag else codes[truth]
        text = code
        if rng.random() < MODEL.rate:
            kind = str(rng.choice(kinds, p=shares))
            if len(code) == 15 and kind != "rounded by a spreadsheet" and rng.random() < 0.1:
                tag = parse_tag(code)
                assert isinstance(tag, Tag)
                continue  # slips of the hexadecimal form are played in their own test
            text = slip(code, kind, rng)
        if text in known:
            continue
        length = rng.normal(before[truth] + 20, 10) if truth >= 0 else rng.normal(400, 70)
        log_length = -0.5 * ((length - before - 20) / 10) ** 2 - math.log(10)
        log_new = -0.5 * ((length - 400) / 70) ** 2 - math.log(70)
        answer = resolve(
            text,
            world,
            weights,
            [Evidence("length", log_length, log_new)],
            prior=prior,
            model=MODEL,
            most=300,
        )
        for c in answer.candidates:
            stated.append(c.probability)
            right.append(c.fish == truth)
        stated.append(answer.none)
        right.append(truth == -1)
    return np.array(stated), np.array(right)


def check_calibration(n_readings: int, seed: int, z: float) -> None:
    stated, right = calibration(n_readings, seed)
    for low, high in (
        (0.0, 0.02),
        (0.02, 0.1),
        (0.1, 0.3),
        (0.3, 0.5),
        (0.5, 0.7),
        (0.7, 0.9),
        (0.9, 0.98),
        (0.98, 1.01),
    ):
        here = (stated >= low) & (stated < high)
        if here.sum() < 30:
            continue
        p = stated[here]
        se = math.sqrt((p * (1 - p)).sum())
        assert abs(right[here].sum() - p.sum()) < z * se + 1.0, (low, high, right[here].mean(), p.mean())


@pytest.mark.slow
def test_resolve__stated_probabilities_are_right() -> None:
    check_calibration(2_500, 21, 3.5)


@pytest.mark.slow
def test_resolve__stated_probabilities_are_right_over_many_readings() -> None:
    check_calibration(80_000, 22, 3.5)
