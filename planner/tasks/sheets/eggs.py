"""The egg-count sheet: dishes by female, eggs by weight or volume, fertilised, dead picked day by day, hatched, swim-up."""

from __future__ import annotations

import datetime as dt

from planner.reports.cautions import cautions_for
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock
from planner.tasks.programme import Programme
from planner.tasks.season_hatch import hatch_dates
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.dishes import Dish, DishDay, dishes_of_day, head_line
from planner.tasks.sheets.forms import EntryForm, FormField, FormLine
from planner.tasks.sheets.kinds import Printed

PICK_DAYS = 12
ROW_MM = 9.0
COUNTS = (
    FormField("eggs", "Eggs"),
    FormField("fertilised", "Fertilised"),
    FormField("hatched", "Hatched"),
    FormField("swim_up", "Swim-up"),
)
SUB = "eggs ______ in ______"


def egg_counts(programme: Programme, asked: Asked) -> Printed:
    """Lay out the egg-count sheet of a day.

    Parameters
    ----------
    programme : Programme
        Records.
    asked : Asked
        ``day``; a spawning plan of that day adds the dishes that are not laid yet.

    Raises
    ------
    UsageError
        If there is no dish of that day.
    """
    day = dishes_of_day(programme, asked)
    looked = int(programme.settings["fertilised_looked_at"])
    strips = [_strip(dam, dishes, looked) for dam, dishes in day.females.items()]
    how = TextBlock(
        "How to count",
        (
            "By weight or by volume, the same way for all dishes of a female: three sub-samples of about 100 to 300 "
            "eggs each, taken all over the bowl; write eggs and grams, or eggs and millilitres. Eggs of a dish = eggs in "
            "the three together / grams (or mL) of the three together x grams (or mL) of the dish. When the three differ "
            "by more than a tenth of their mean, take three more (common practice, no source).",
            f"Fertilised: look at {looked} eggs of each dish after about 24 hours ({_day(day.day, 1)}); write how many of "
            "them, and the number of eggs of the dish times that share under 'Fertilised'.",
            "Write 0 for a dish without any, a line for a dish that was not counted: nothing counted is not the same as "
            "none there.",
            _hatch_words(programme, day.day),
        ),
        boxed=True,
    )
    picks = TableBlock(
        "Dead eggs picked, day after fertilisation",
        (
            ColumnSpec("Cell", 0.8),
            ColumnSpec("Dish", 1.3),
            *(ColumnSpec(f"{k}: {day.day + dt.timedelta(days=k):%d.%m.}", 0.75, blank=True) for k in range(1, PICK_DAYS + 1)),
            ColumnSpec("Sum", 0.8, blank=True),
        ),
        tuple((d.cell or "–", d.name, *("",) * (PICK_DAYS + 1)) for d in _by_cell(day)),
        small=True,
        row_mm=7.0,
        note="Stays on paper: the records hold eggs, fertilised, hatched and swim-up. Write the picker's initials "
        "under each day.",
    )  # fmt: skip
    end = CheckBlock(
        "Before the sheet is handed in",
        (
            f"Dishes counted: ________ of {len(day.dishes)} on this sheet",
            "No dish has more fertilised than eggs, more hatched than fertilised, more at swim-up than hatched",
            "Dishes thrown away, pooled or moved to another cell are written as remarks, with the time and by whom",
        ),
    )
    laid = sum(d.laid for d in day.dishes)
    facts = [
        ("Females", str(len(day.females))),
        ("Dishes", str(len(day.dishes))),
        ("In the records already", f"{laid} of {len(day.dishes)}"),
        ("Plan", day.plan or "none"),
        ("Counted by", "________________"),
        ("Balance or cylinder", "________________"),
    ]
    blocks: tuple[Block, ...] = (how, *strips, picks, end)
    sheet = Sheet(
        "Egg counts",
        head_line(programme, (f"{day.day:%d %b %Y}",)),
        "",
        0,
        tuple(facts),
        blocks,
        cautions_for(("eggs", "disinfectant")),
        landscape=True,
    )
    return Printed(sheet, _forms(day), about=day.day.isoformat())


def _strip(dam: str, dishes: list[Dish], looked: int) -> TableBlock:
    columns = (
        ColumnSpec("Cell", 0.8),
        ColumnSpec("Dish", 1.3),
        ColumnSpec("Male", 0.9),
        ColumnSpec("Weight or volume", 1.2, blank=True),
        ColumnSpec("Eggs", 1, blank=True),
        ColumnSpec(f"Of {looked}", 0.7, blank=True),
        ColumnSpec("Fertilised", 1, blank=True),
        ColumnSpec("Hatched", 1, blank=True),
        ColumnSpec("Swim-up", 1, blank=True),
        ColumnSpec("Known already", 1.3),
        ColumnSpec("Remark, by", 1.4, blank=True),
    )
    table = tuple((d.cell or "–", d.name, d.sire, *("",) * 6, _known(d), "") for d in dishes)
    return TableBlock(
        f"Female {dam}",
        columns,
        table,
        (
            ("Method (circle)", "weight g · volume mL"),
            ("Sub-sample 1", SUB),
            ("Sub-sample 2", SUB),
            ("Sub-sample 3", SUB),
            ("All her eggs", "______ g / mL"),
            ("Look of the eggs 0-3", "____"),
        ),
        keep_together=True,
        row_mm=ROW_MM,
    )


def _known(d: Dish) -> str:
    parts = (("eggs", d.eggs), ("fert.", d.fertilised), ("hatched", d.hatched), ("swim-up", d.swim_up))
    return ", ".join(f"{w} {n}" for w, n in parts if n is not None) or "–"


def _by_cell(day: DishDay) -> list[Dish]:
    from planner.tasks.sheets.dishes import natural

    return sorted(day.dishes, key=lambda d: (natural(d.cell or "~"), natural(d.name)))


def _forms(day: DishDay) -> tuple[EntryForm, ...]:
    """Dishes of the records get more values; dishes of the plan that are not laid yet become crosses."""
    forms = []
    laid = tuple(FormLine(d.name, _words(d), {"cross_id": d.name}) for d in day.dishes if d.laid)
    if laid:
        forms.append(EntryForm("crosses", "Dishes in the records", COUNTS, laid, action="change"))
    new = tuple(
        FormLine(
            d.name,
            _words(d),
            {"cross_id": d.name, "dam": d.dam, "sire": d.sire, "dish": str(d.number), "cell": d.cell},
        )
        for d in day.dishes
        if not d.laid
    )
    if new:
        fixed = {"season": str(day.day.year), "made_on": day.day.isoformat()}
        forms.append(EntryForm("crosses", "Dishes of the plan", COUNTS, new, fixed))
    return tuple(forms)


def _words(d: Dish) -> str:
    return f"{d.dam} · {d.cell or '–'} · {d.name} · {d.sire}"


def _day(day: dt.date, later: int) -> str:
    return f"{day + dt.timedelta(days=later):%d %b}"


def _hatch_words(programme: Programme, day: dt.date) -> str:
    """Say when hatch and swim-up are expected, with range and method."""
    values = hatch_dates(programme, day).values
    found = {e["event"]: e["dates"] for e in values["events"] if "base temperature" in e["event"]}

    def span(word: str) -> str:
        dates = next((d for name, d in found.items() if name.startswith(word)), [None] * 3)
        if dates[1] is None:
            return "not estimable because the model does not reach it at this temperature"
        low, high = (x or "open" for x in (dates[0], dates[2]))
        return f"about {dates[1]} ({low} to {high})"

    return (
        f"Expected at {values['temperature']:g} °C all the time, by base temperature {values['base_temperature']:.1f} °C "
        f"(first and last by the model of 'kinshoal hatch', not a promise): hatch {span('hatch')}; swim-up "
        f"{span('swim-up')}."
    )
