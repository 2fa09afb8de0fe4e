"""The spawning sheet: fish in walking order, one strip per female, checks for the end of the day."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock

STRIP_ROW_MM, FETCH_ROW_MM = 9.0, 5.5
"""Heights of rows that wet hands write in."""


@dataclass(frozen=True)
class FishLine:
    """One fish of the plan as the crew meets it.

    Parameters
    ----------
    fish_id, sex, building, unit, tag : str
        As in the records; `sex` is ``female`` or ``male``.
    walk_order : int
        Position of the unit on the walk.
    dishes : int
        Dishes it takes part in.
    mean_kinship : float
        Mean kinship to the living group.
    weight : str
        Last weight in words, empty if unknown.
    remark : str
        Frozen milt, ripeness, use so far.
    frozen : bool
        Only his frozen milt is used.
    """

    fish_id: str
    sex: str
    building: str
    unit: str
    walk_order: int
    tag: str
    dishes: int
    mean_kinship: float
    weight: str = ""
    remark: str = ""
    frozen: bool = False


@dataclass(frozen=True)
class DishLine:
    """One dish: part of a female's eggs and one male."""

    dish_id: str
    female: str
    male: str
    number: int
    of: int
    kinship: float
    cell: str
    reason: str = ""


def spawning_sheet(
    programme: str,
    station: str,
    day: str,
    fish: Sequence[FishLine],
    dishes: Sequence[DishLine],
    spare_males: Mapping[str, Sequence[str]],
    facts: Sequence[tuple[str, str]],
    comparison: Sequence[tuple[str, ...]],
    left_out: Sequence[tuple[str, str]],
    provenance: Provenance,
) -> Sheet:
    """Lay out the spawning sheet.

    Parameters
    ----------
    programme, station, day : str
        Heading.
    fish : sequence of FishLine
        All fish of the plan.
    dishes : sequence of DishLine
        All dishes.
    spare_males : mapping of str to sequence of str
        For each female the next males in line, best first, with their kinship in words.
    facts : sequence of (str, str)
        Figures of the plan: value, bound, gap, effective size.
    comparison : sequence of tuple of str
        Rows of the table that sets this plan beside naive ones.
    left_out : sequence of (str, str)
        Fish not used and why.
    provenance : Provenance
        What the plan was made from.

    Returns
    -------
    Sheet
        Ready for `planner.reports.html` or `planner.reports.pdf`.
    """
    by_id = {f.fish_id: f for f in fish}
    walk = sorted(fish, key=lambda f: (f.walk_order, f.unit, f.fish_id))
    blocks = [
        TableBlock(
            "Fetch in walking order",
            (
                ColumnSpec("Building", 1.2),
                ColumnSpec("Unit", 0.6),
                ColumnSpec("Fish", 0.7),
                ColumnSpec("Sex", 0.7),
                ColumnSpec("PIT code", 1.5),
                ColumnSpec("Dishes", 0.6, "right"),
                ColumnSpec("Expected", 2.3),
                ColumnSpec("Scanned", 0.7, blank=True),
                ColumnSpec("Ripe?", 0.6, blank=True),
            ),
            tuple(
                (
                    f.building,
                    f.unit,
                    f.fish_id,
                    f.sex,
                    f.tag or "none",
                    str(f.dishes),
                    f.remark or "–",
                    "",
                    "",
                )
                for f in walk
            ),
            small=True,
            row_mm=FETCH_ROW_MM,
        )
    ]
    females = sorted({d.female for d in dishes}, key=lambda x: (by_id[x].walk_order, by_id[x].unit, x))
    # Strips are cut apart: each carries day, version and mark, so that a void one is known as void.
    of_plan = f"{day} · version {provenance.version} · {provenance.mark}"
    blocks += [
        _strip(by_id[x], [d for d in dishes if d.female == x], by_id, spare_males, of_plan) for x in females
    ]
    beside = TableBlock(
        "This plan beside plans without optimisation, same rules",
        (
            ColumnSpec("Plan", 1.6),
            ColumnSpec("Mean kinship of the cohort", 1.2, "right"),
            ColumnSpec("Gene diversity of the cohort", 1.2, "right"),
            ColumnSpec("Expected Ne of the cohort", 1.2, "right"),
            ColumnSpec("Mean / highest inbreeding", 1.4, "right"),
        ),
        tuple(comparison),
        note="From the pedigree and equal egg shares, without sampling error: unequal survival of families "
        "makes the real figures worse. Ne here is of the parents of this cohort.",
    )
    unused = TableBlock(
        "Broodfish not used, and why",
        (ColumnSpec("Fish", 1), ColumnSpec("Why", 4)),
        tuple(left_out),
        small=True,
    )
    end = CheckBlock(
        "Before anyone goes home",
        (
            f"Dishes laid: ________ of {len(dishes)} on this sheet",
            f"Fish scanned: ________ of {len(fish)} on this sheet",
            "Every dish has one female, one male and a cell written on it",
            "Dead or hurt fish written down, fin clip taken",
            "Anything not done as planned is written on the strip of that female",
        ),
    )
    why = TextBlock(
        "How to read this sheet",
        (
            "Pairs are the best found under the rules of your settings; the gap is proven: no plan under the same "
            "rules can have a lower value than the bound.",
            "Tick 'Laid' when a dish is as printed. If a male gives no milt, take the next in line on that female's "
            "strip and write him under 'Other male'. If a female "
            "is not ripe, leave her dishes out, then ask for a new plan: the new version voids this sheet.",
        ),
        boxed=True,
    )
    return Sheet(
        "Spawning sheet",
        " · ".join(x for x in (programme, station, day) if x),
        provenance.mark,
        provenance.version,
        tuple(facts),
        (why, *blocks, end, beside, unused),
        cautions_for(("names", "spawning", "anaesthesia", "disinfectant", "decision")),
        provenance_lines(provenance),
        code=f"kinshoal spawning plan | {provenance.mark} v{provenance.version}",
    )


def _strip(
    female: FishLine,
    dishes: Sequence[DishLine],
    by_id: Mapping[str, FishLine],
    spare_males: Mapping[str, Sequence[str]],
    of_plan: str,
) -> TableBlock:
    columns = (
        ColumnSpec("Dish", 1.3),
        ColumnSpec("Male", 0.8),
        ColumnSpec("His unit", 0.7),
        ColumnSpec("His PIT code", 1.95),
        ColumnSpec("Kinship", 0.75, "right"),
        ColumnSpec("Egg share", 0.55, "right"),
        ColumnSpec("Cell", 0.6),
        ColumnSpec("Laid", 0.45, blank=True),
        ColumnSpec("Time", 0.7, blank=True),
        ColumnSpec("Eggs", 0.85, blank=True),
        ColumnSpec("Other male", 0.85, blank=True),
        ColumnSpec("By", 0.5, blank=True),
    )
    rows = []
    for d in sorted(dishes, key=lambda x: x.number):
        male = by_id[d.male]
        share = f"1/{d.of}"
        place = "frozen" if male.frozen else male.unit or "none"
        cells = (d.dish_id, d.male, place, male.tag or "none", f"{d.kinship:.3f}", share, d.cell, *("",) * 5)
        rows.append(cells)
    spare = spare_males.get(female.fish_id, ())
    return TableBlock(
        f"Female {female.fish_id} · {of_plan}",
        columns,
        tuple(rows),
        (
            ("Unit", " ".join(x for x in (female.building, female.unit) if x) or "–"),
            ("PIT code", female.tag or "none"),
            ("Weight, mean kinship", f"{female.weight or 'not known'}, {female.mean_kinship:.4f}"),
            ("Ripe / eggs good?", "☐ yes  ☐ no"),
            ("All her eggs, g or mL", "__________"),
        ),
        "Next males in line: " + (", ".join(spare) if spare else "none under these rules"),
        keep_together=True,
        row_mm=STRIP_ROW_MM,
    )
