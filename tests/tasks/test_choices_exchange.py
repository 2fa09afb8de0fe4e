"""Exchange plans from records: rules looked up again in the tables, figures computed again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodstock.errors import UsageError, ValueRangeError
from planner.tasks.choice_stock import NoChoiceError
from planner.tasks.exchange import STATION, ExchangeOutcome, ExchangeWishes, exchange_plan, write_exchange
from planner.tasks.programme import Programme


@pytest.fixture(scope="module")
def four(tiny: Programme) -> Programme:
    """The tiny programme with residents in three backwaters and a refuge, of other families in each."""
    t = tiny.tables
    families = t["families"].query("kind == 'cross' and dam != '' and sire != ''")["family_id"].tolist()
    refuge = t["sites"][t["sites"]["site_id"] == "NP"].assign(
        site_id="RF", name="Refuge", kind="refuge", water_risk=0
    )
    sites = pd.concat([t["sites"], refuge], ignore_index=True)
    records = [
        {"site_id": site, "family": families[3 * k + m], "number": 12 + 3 * k}
        for k, site in enumerate(("QL", "NP", "SV", "RF"))
        for m in range(3)
    ]
    residents = t["residents"].iloc[:1].reindex(range(len(records))).assign(**pd.DataFrame(records))
    return replace(tiny, tables=dict(t) | {"sites": sites, "residents": residents})


@pytest.fixture(scope="module")
def outcome(four: Programme) -> ExchangeOutcome:
    return exchange_plan(four, ExchangeWishes(years=3, generation_years=6, breed_share=0.3, journey=(3, 8)))


def test_exchange_plan__window_risk_and_room(four: Programme, outcome: ExchangeOutcome) -> None:
    sites = four.tables["sites"].set_index("name")
    waters = outcome.waters.set_index("water")
    got = outcome.moves.groupby("to")["fish"].sum()
    for name, fish in got.items():
        # Fish x share that breeds x generations in the plan's years.
        assert waters.loc[name, "migrants"] == pytest.approx(fish * 0.3 * 6 / 3)
        assert 1 <= waters.loc[name, "migrants"] <= 10
        assert waters.loc[name, "fst"] == pytest.approx(1 / (4 * waters.loc[name, "migrants"] + 1))
    assert set(got.index) == {"Quern Lagoon", "Nine Posts", "Saltvetch"}
    for m in outcome.moves.itertuples():
        assert sites.loc[m.origin, "water_risk"] <= sites.loc[m.to, "water_risk"]
        assert 3 <= m.fish <= 8
    given = outcome.moves.groupby(["year", "origin"])["fish"].sum()
    for (_, name), fish in given.items():
        assert fish <= 0.2 * waters.loc[name, "residents"] + 1e-9
    assert any("No water of lower or equal risk can send fish to: Refuge" in n for n in outcome.notes)


def test_exchange_plan__kinship_of_waters(four: Programme, outcome: ExchangeOutcome) -> None:
    residents = four.tables["residents"]
    here = residents[residents["site_id"] == "QL"]
    K = four.family_kinship(list(here["family"]))
    p = here["number"].to_numpy(dtype=float) / here["number"].sum()
    waters = outcome.waters.set_index("water")
    assert waters.loc["Quern Lagoon", "kinship"] == pytest.approx(float(p @ K @ p))
    assert waters["kinship_after"].mean() < waters["kinship"].mean()
    assert outcome.plan.journeys.proven


def test_exchange_plan__matrix_adds_up(outcome: ExchangeOutcome) -> None:
    _, lines = outcome.matrix()
    total = sum(int(x) for line in lines for x in line[1:] if x != "·")
    assert total == outcome.moves["fish"].sum()


def test_exchange_plan__who_last_received(four: Programme, outcome: ExchangeOutcome) -> None:
    releases = four.tables["releases"]
    last = releases[releases["site_id"] == "QL"]["released_on"].max()
    row = outcome.received.set_index("water").loc["Quern Lagoon"]
    assert row["last"] == f"{last:%Y-%m-%d}"
    assert row["fish"] == ((releases["site_id"] == "QL") & (releases["released_on"] == last)).sum()
    assert outcome.received.set_index("water").loc["Refuge", "last"] == "never recorded"
    assert outcome.received.loc[0, "last"] == "never recorded"


def test_exchange_plan__one_water_exchanges_with_the_station(tiny: Programme) -> None:
    made = exchange_plan(tiny, ExchangeWishes())
    assert set(made.moves["origin"]) == {STATION}
    assert any("station's stock is the other partner" in n for n in made.notes)


def test_exchange_plan__waters_that_cannot_get_enough_are_named(four: Programme) -> None:
    with pytest.raises(
        NoChoiceError, match=r"cannot get enough fish[\s\S]*fish can come, 10 are needed"
    ) as caught:
        exchange_plan(four, ExchangeWishes(years=1, least=18.0, most=30.0, journey=(1, 3)))
    assert caught.value.exit_code == 4


def test_exchange_plan__bad_input(four: Programme, tiny: Programme) -> None:
    with pytest.raises(UsageError, match="generation of 0"):
        exchange_plan(four, ExchangeWishes(generation_years=0))
    with pytest.raises(ValueRangeError, match="least that is not above the most"):
        exchange_plan(four, ExchangeWishes(least=5, most=1))
    nobody = {name: tiny.tables[name].iloc[:0] for name in ("residents", "releases", "group_moves")}
    empty = replace(tiny, tables=dict(tiny.tables) | nobody)
    with pytest.raises(UsageError, match="found 0 backwaters"):
        exchange_plan(empty, ExchangeWishes())


def test_write_exchange__same_bytes_again(four: Programme, outcome: ExchangeOutcome, tmp_path: Path) -> None:
    again = exchange_plan(four, ExchangeWishes(years=3, generation_years=6, breed_share=0.3, journey=(3, 8)))
    first, second = write_exchange(outcome, tmp_path / "a"), write_exchange(again, tmp_path / "b")
    assert [p.read_bytes() for p in first[:3]] == [p.read_bytes() for p in second[:3]]
    assert np.isfinite(pd.read_csv(first[1])["kinship_after"]).all()
