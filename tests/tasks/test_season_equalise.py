"""Cull plans from records: totals, families, step figures, survival in between, bad input."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from broodstock.errors import ShapeError, UsageError, ValueRangeError
from broodstock.pedigree.kinship import kinship_matrix
from planner.tasks.programme import Programme, open_programme
from planner.tasks.season_equalise import cull_plan


def test_cull__totals_and_families(tiny: Programme) -> None:
    answer = cull_plan(tiny, 2019, [6000, 2000])
    crosses = tiny.tables["crosses"]
    families = answer.values["families"]
    counted = crosses.loc[crosses["season"] == 2019, "swim_up"]
    assert sum(f["available"] for f in families) == counted.sum()
    first = [f["keep"][0] for f in families]
    second = [f["keep"][1] for f in families]
    assert sum(first) == 6000
    assert sum(second) == 2000
    assert all(f["surplus"] == f["available"] - f["keep"][0] for f in families)
    assert max(first) - min(first) <= 1
    # Half of the fish live from the first cull to the second by the settings.
    assert all(b <= 0.5 * a for a, b in zip(first, second, strict=True))


def test_cull__figures_of_the_steps_by_hand(tiny: Programme) -> None:
    answer = cull_plan(tiny, 2019, [6000])
    families, steps = answer.values["families"], answer.values["steps"]
    for step, key in ((steps[0], "available"), (steps[1], "keep")):
        amounts = [f[key] if key == "available" else f[key][0] for f in families]
        total = sum(amounts)
        share = np.zeros(len(tiny.pedigree))
        for f, n in zip(families, amounts, strict=True):
            share[tiny.pedigree.index[f["dam"]]] += n / (2 * total)
            share[tiny.pedigree.index[f["sire"]]] += n / (2 * total)
        kinship = kinship_matrix(tiny.pedigree.parents)
        assert step["mean_kinship"] == pytest.approx(share @ kinship @ share, abs=1e-12)
        sizes = []
        for role in ("dam", "sire"):
            of = {}
            for f, n in zip(families, amounts, strict=True):
                of[f[role]] = of.get(f[role], 0) + n
            sizes.append(total**2 / sum(x * x for x in of.values()))
        expected = 4 * sizes[0] * sizes[1] / sum(sizes)
        assert step["effective_parents"]["value"] == pytest.approx(expected)
    assert steps[1]["effective_families"] > steps[0]["effective_families"]


def test_cull__dishes_that_failed_are_named(full: Programme) -> None:
    answer = cull_plan(full, 2024, [63000])
    crosses = full.tables["crosses"]
    empty = crosses[(crosses["season"] == 2024) & (crosses["swim_up"] == 0)]
    assert len(empty) > 0
    assert any(w.startswith(f"{len(empty)} families have no fish: ") for w in answer.warnings)
    keeps = [f["keep"][0] for f in answer.values["families"] if f["available"] > 0]
    assert max(keeps) - min(keeps) <= 1


def test_cull__the_cap_is_a_setting(tiny_folder: Path) -> None:
    programme = open_programme(tiny_folder, {"family_cap_times_mean": "1"})
    crosses = programme.tables["crosses"]
    there = crosses.loc[crosses["season"] == 2019, "swim_up"]
    answer = cull_plan(programme, 2019, [int(there.sum())])
    assert {f["keep"][0] for f in answer.values["families"]} == {there.min()}
    assert any("the cap forbids more of the large families" in w for w in answer.warnings)


def test_cull__other_counts_and_own_survival(tiny: Programme) -> None:
    answer = cull_plan(tiny, 2019, [6000, 900], stage="hatched", survival=[0.2])
    crosses = tiny.tables["crosses"]
    assert sum(f["available"] for f in answer.values["families"]) == (
        crosses.loc[crosses["season"] == 2019, "hatched"].sum()
    )
    assert all(f["keep"][1] <= 0.2 * f["keep"][0] for f in answer.values["families"])


def test_cull__bad_input(tiny: Programme) -> None:
    with pytest.raises(UsageError, match="season: found no crosses of 1999"):
        cull_plan(tiny, 1999, [100])
    with pytest.raises(UsageError, match="--keep: found no number"):
        cull_plan(tiny, 2019, [])
    with pytest.raises(ValueRangeError, match="fish to keep"):
        cull_plan(tiny, 2019, [-5])
    with pytest.raises(ValueRangeError, match="fish to keep: found 0"):
        cull_plan(tiny, 2019, [0])
    with pytest.raises(UsageError, match=r"--survival: found 2 numbers\. Expected 1"):
        cull_plan(tiny, 2019, [100, 50], survival=[0.5, 0.5])
    with pytest.raises(ValueRangeError, match="survival between culls"):
        cull_plan(tiny, 2019, [100, 50], survival=[1.5])
    with pytest.raises(UsageError, match="found no fish in any family"):
        cull_plan(tiny, 2019, [100, 50], survival=[0.0])
    with pytest.raises(UsageError, match="--count: found 'larvae'"):
        cull_plan(tiny, 2019, [100], stage="larvae")  # type: ignore[arg-type]
    assert issubclass(ShapeError, ValueError)
