"""Tables about fish in care: fish, identifiers, families, crosses, stock, ripeness, frozen milt, holds, claims."""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.demo.days import NEVER, day, stamps
from planner.demo.history import History
from planner.demo.parameters import TRUTH, grown_length
from planner.demo.sampling import split_in_proportion
from planner.demo.scale import Scale
from planner.demo.stock import STOCK_UNITS, Stock
from planner.demo.true_fish import FEMALE

INVENTORY = "2024-10-14"
SEX_WORDS = np.array(["female", "male", "unknown"], dtype=object)
ORIGIN = {"wild": "wild-adult", "larva": "wild-larva", "hatchery": "hatchery"}


def words_of_sex(sex: np.ndarray) -> np.ndarray:
    """Return sexes 0, 1, -1 as words."""
    return SEX_WORDS[np.asarray(sex)]


def fish_table(
    history: History, tags: dict[str, str], sizes: dict[str, tuple[float, float]], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the table of fish known as individuals: every broodfish that ever was.

    Parameters
    ----------
    history : History
        Hidden truth.
    tags : dict of str to str
        Tag now in each fish.
    sizes : dict of str to (float, float)
        Length and weight of released founders at release.
    rng : Generator
        Random numbers.
    """
    fish, b = history.fish, history.brood
    rows = []
    units = {0: [f"B-{k:02d}" for k in range(1, 7)], 1: [f"B-{k:02d}" for k in range(7, 13)]}
    counted = [0, 0]
    inventory = day(INVENTORY)
    order = sorted(range(len(b)), key=lambda i: (b.names[i][0], int(b.names[i][2:])))
    for i in order:
        alive = b.left[i] == NEVER
        sex = b.sex[i]
        unit = ""
        if alive:
            unit = units[sex][counted[sex] % 6]
            counted[sex] += 1
        length, weight, measured = _size(history, i, inventory if alive else b.left[i] - 60, rng)
        if b.names[i] in sizes:
            (length, weight), measured = sizes[b.names[i]], b.left[i]
        rows.append(
            {
                "fish_id": b.names[i],
                "sex": str(SEX_WORDS[sex]),
                "sex_basis": "seen",
                "origin": ORIGIN[b.kind[i]],
                "species": "",
                "year_class": b.year_class[i] or pd.NA,
                "hatched_on": int(fish.hatched[b.rows[i]]) if b.kind[i] == "hatchery" else -99999,
                "entered_on": b.entered[i],
                "dam": b.dam[i],
                "sire": b.sire[i],
                "family": b.family[i],
                "status": "brood" if alive else b.left_as[i],
                "status_on": b.entered[i] if alive else b.left[i],
                "unit": unit,
                "tag": tags[b.names[i]],
                "total_length_mm": length,
                "weight_g": weight,
                "measured_on": measured,
                "note": "",
            }
        )
    frame = pd.DataFrame(rows)
    frame["year_class"] = frame["year_class"].astype("Int64")
    for name in ("hatched_on", "entered_on", "status_on", "measured_on"):
        frame[name] = stamps(frame[name].to_numpy())
    return frame


def _size(history: History, i: int, on: int, rng: np.random.Generator) -> tuple[float, float, int]:
    """Return length, weight and day of the last measurement of a broodfish."""
    b, fish = history.brood, history.fish
    on = max(on, b.entered[i])
    female = fish.sex[b.rows[i]] == FEMALE
    top = TRUTH.length_at_infinity_female_mm if female else TRUTH.length_at_infinity_male_mm
    top *= float(rng.lognormal(0.0, TRUTH.length_at_infinity_cv))
    age = (on - int(fish.hatched[b.rows[i]])) / 365.25
    length = float(np.round(grown_length(np.array([8.0]), np.array([top]), np.array([age]))[0]))
    condition = float(np.clip(rng.normal(TRUTH.condition_mean, TRUTH.condition_sd), 0.85, 1.4))
    return length, float(np.round(condition * length**3 / 1e5)), on


def identifiers_table(history: History, given: dict[str, list[tuple[str, str, int, int]]]) -> pd.DataFrame:
    """Return the table of identifiers.

    Parameters
    ----------
    history : History
        For the order of names.
    given : dict of str to list of (str, str, int, int)
        Kind, code, first and last day (never while in use) of each fish.
    """
    rows = [
        (name, kind, code, first, last, "lost or not seen by readers, replaced" if last < NEVER else "")
        for name in sorted(given, key=lambda n: (n[0], int(n[2:])))
        for kind, code, first, last in given[name]
    ]
    frame = pd.DataFrame(rows, columns=["fish_id", "kind", "code", "from_date", "to_date", "note"])
    for column in ("from_date", "to_date"):
        frame[column] = stamps(frame[column].to_numpy())
    return frame


def families_table(history: History) -> pd.DataFrame:
    """Return the table of families, larval groups and backwater young."""
    families = list(history.rearing.families.values())
    frame = pd.DataFrame(
        {
            "family_id": [f.name for f in families],
            "kind": [f.kind for f in families],
            "year_class": [f.year_class for f in families],
            "dam": [f.dam for f in families],
            "sire": [f.sire for f in families],
            "made_on": stamps(np.array([min(f.made_on, day("2024-10-12")) for f in families])),
            "zone": [f.zone for f in families],
            "note": [f.note for f in families],
        }
    )
    order = np.lexsort((frame["family_id"].to_numpy().astype(str), frame["year_class"].to_numpy()))
    return frame.iloc[order].reset_index(drop=True)


def crosses_table(history: History) -> pd.DataFrame:
    """Return the table of dishes."""
    d, b = history.dishes, history.brood
    return pd.DataFrame(
        {
            "cross_id": [f"X-{s}-{int(c[2:]):03d}" for s, c in zip(d.season, d.cell, strict=True)],
            "season": d.season,
            "made_on": stamps(np.array(d.made_on)),
            "made_at": [f"{m // 60:02d}:{m % 60:02d}" for m in d.minute],
            "dam": [b.names[i] for i in d.recorded_dam],
            "sire": [b.names[i] for i in d.sire],
            "dish": d.dish,
            "cell": d.cell,
            "eggs": d.eggs,
            "fertilised": d.fertilised,
            "hatched": d.hatched,
            "swim_up": d.swim_up,
            "kept": d.kept,
            "family": d.family,
            "note": d.note,
        }
    )


def stock_table(stock: Stock, ids: np.ndarray, tags: np.ndarray, year: int) -> pd.DataFrame:
    """Return the table of fish available for release."""
    n = len(stock)
    return pd.DataFrame(
        {
            "stock_id": ids,
            "tag": tags,
            "family": stock.family,
            "year_class": np.full(n, year),
            "sex": words_of_sex(stock.sex),
            "total_length_mm": stock.length_mm,
            "weight_g": stock.weight_g,
            "measured_on": stamps(np.full(n, day(f"{year}-09-24"))),
            "unit": stock.unit,
            "tagged_on": stamps(np.full(n, day(f"{year}-09-24"))),
            "withdrawal_until": stamps(np.full(n, NEVER)),
            "gone_on": stamps(np.full(n, NEVER)),
            "note": np.full(n, "", dtype=object),
        }
    )


def ripeness_table(history: History, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    """Return looks at broodfish: the ripe ones of past spawning days, and this autumn's forecast.

    Ripe females are the scarce thing: fewer than half of them are expected to be ripe on the spawning day,
    for about two weeks; three males in five are, for many weeks.
    """
    b, d = history.brood, history.dishes
    rows: list[tuple[str, int, str, int, int, float]] = []
    seen: set[tuple[int, int]] = set()
    for i in range(len(d)):
        if d.season[i] < scale.last_year - 2:
            continue
        for fish in (d.recorded_dam[i], d.sire[i]):
            if (fish, d.made_on[i]) not in seen:
                seen.add((fish, d.made_on[i]))
                rows.append((b.names[fish], d.made_on[i], "ripe", -99999, -99999, np.nan))
    spawning = day("2025-02-14")
    for sex, share, length in ((0, 0.46, 15), (1, 0.62, 45)):
        living = [i for i in b.living if b.sex[i] == sex]
        first = [
            i for i in living if b.names[i] in scale.kept_alive or b.names[i] == history.faults.get("hybrid")
        ]
        barred = {history.faults.get("reversed")}
        others = [i for i in living if i not in first and b.names[i] not in barred]
        wanted = max(round(share * len(living)), min(len(others), 5)) - len(first)
        chosen = {*first, *(others[int(k)] for k in rng.choice(len(others), size=wanted, replace=False))}
        for i in living:
            start = (
                spawning - int(rng.integers(2, length - 3))
                if i in chosen
                else spawning + int(rng.integers(8, 30))
            )
            chance = rng.uniform(0.55, 0.92) if i in chosen else rng.uniform(0.01, 0.15)
            state = "ripening" if i in chosen else "not-ripe"
            rows.append((b.names[i], day(INVENTORY), state, start, start + length, round(float(chance), 2)))
    names = ["fish_id", "checked_on", "state", "window_start", "window_end", "probability"]
    frame = pd.DataFrame(rows, columns=names).sort_values(["checked_on", "fish_id"], kind="stable")
    for column in ("checked_on", "window_start", "window_end"):
        frame[column] = stamps(frame[column].to_numpy())
    return frame.reset_index(drop=True)


def frozen_milt_table(history: History, scale: Scale, rng: np.random.Generator) -> pd.DataFrame:
    """Return the store of frozen milt: dead founders mostly, with the stated number of straws."""
    b = history.brood
    males = [i for i in range(len(b)) if b.sex[i] == 1 and b.kind[i] == "wild"]
    dead = [i for i in males if b.left_as[i] == "dead"]
    alive = [i for i in males if b.left[i] == NEVER]
    n_alive = min(2, scale.frozen // 5)
    chosen = [
        dead[int(k)] for k in np.sort(rng.choice(len(dead), size=scale.frozen - n_alive, replace=False))
    ]
    chosen += alive[:n_alive]
    straws = split_in_proportion(rng.uniform(0.5, 1.5, len(chosen)), scale.straws)
    frozen_on = [
        min(b.entered[i] + 360 + int(rng.integers(0, 300)), b.left[i] - 20, day("2024-03-01")) for i in chosen
    ]
    return pd.DataFrame(
        {
            "fish_id": [b.names[i] for i in chosen],
            "frozen_on": stamps(np.array(frozen_on)),
            "straws": straws,
            "straws_per_dish": rng.integers(3, 6, len(chosen)),
            "motility_pct": np.round(rng.uniform(12.0, 27.0, len(chosen))),
            "store_place": [f"tank 1, canister {k // 4 + 1}, goblet {k % 4 + 1}" for k in range(len(chosen))],
        }
    )


def holds_table(history: History, scale: Scale) -> pd.DataFrame:
    """Return the open holds: two broodfish and one family."""
    b = history.brood
    special = {*scale.kept_alive, *history.faults.values()}
    females = [b.names[i] for i in b.living if b.sex[i] == 0 and b.names[i] not in special]
    males = [b.names[i] for i in b.living if b.sex[i] == 1 and b.names[i] not in special]
    family = sorted({str(f) for f in history.stock.family if str(f).startswith("H")})[-1]
    rows = [
        (
            females[-1],
            "fish",
            "health",
            "2024-10-14",
            "2025-03-31",
            "fungus on the tail, treated; look again in March",
        ),
        (males[-1], "fish", "health", "2024-10-14", "2025-03-31", "eye injury; look again in March"),
        (
            family,
            "family",
            "reserved",
            "2024-10-01",
            "",
            "kept for the next broodstock until genotypes are back",
        ),
    ]
    frame = pd.DataFrame(
        rows, columns=["subject", "subject_kind", "reason", "from_date", "until_date", "note"]
    )
    for column in ("from_date", "until_date"):
        frame[column] = pd.to_datetime(frame[column].replace("", None))
    return frame


def certificates_table(scale: Scale) -> pd.DataFrame:
    """Return one fish-health certificate for each unit of the stock."""
    units = [*STOCK_UNITS, "A-01"]
    return pd.DataFrame(
        {
            "certificate_id": [f"FH-24-{k + 31}" for k in range(len(units))],
            "unit": units,
            "issued_on": pd.to_datetime(["2024-10-10"] * len(units)),
            "valid_until": pd.to_datetime(["2024-12-20"] * len(units)),
            "result": "clear",
        }
    )


def claims_table(history: History, rng: np.random.Generator) -> pd.DataFrame:
    """Return claims about parents: what the records say, and DNA findings of the last laboratory run for some."""
    b = history.brood
    rows: list[tuple[str, str, str, str, float, str, str]] = []
    swapped = set(history.faults.get("swapped", "").split())
    born = [i for i in range(len(b)) if b.kind[i] == "hatchery"]
    for i in born:
        made = str(np.datetime64(int(b.entered[i]), "D"))
        for role, parent in (("dam", b.dam[i]), ("sire", b.sire[i])):
            if parent:
                rows.append((b.names[i], role, parent, "recorded", 0.95, made, "dish label"))
    proven = [i for i in born if b.family[i] not in swapped and b.dam[i] and b.sire[i]]
    for i in np.sort(rng.choice(proven, size=max(1, len(proven) // 4), replace=False)):
        for role, parent in (("dam", b.dam[i]), ("sire", b.sire[i])):
            rows.append((b.names[i], role, parent, "dna", 0.99, "2023-12-04", "parentage run of 2023"))
    names = ["child", "role", "parent", "source", "confidence", "made_on", "note"]
    frame = pd.DataFrame(rows, columns=names)
    frame["made_on"] = pd.to_datetime(frame["made_on"])
    return frame
