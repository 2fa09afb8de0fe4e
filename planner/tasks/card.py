"""The card of one fish: everything the records say about it on one page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.tasks.card_kin import generations, relation, small_pedigree
from planner.tasks.card_source import Row, Source
from planner.tasks.card_use import uses_now
from planner.tasks.name_lists import few

NEAREST = 5
MOST_LISTED = 12
CARE = ["brood", "hold"]
KIN_METHOD = (
    "Pedigree of recorded parents and sure DNA claims, founders taken as unrelated: exact for this pedigree, so without an "
    "interval, and wrong where a parent is wrong."
)
SIZE_METHOD = (
    "Measured once each; the error of measuring is not on record, so there is no interval. Condition is Fulton's: 100 000 "
    "times the weight in g over the cube of the length in mm. Growth is the difference of two lengths at least 30 days "
    "apart, over the years between."
)
HOW = {"Kin among the living brood": KIN_METHOD, "Measurements and growth": SIZE_METHOD}
"""How the numbers of a section are made."""


@dataclass(frozen=True)
class Card:
    """One fish in sections.

    Parameters
    ----------
    fish : str
        Its name.
    sections : tuple of (str, tuple of str)
        Headings and lines, in order.
    data : dict
        The same as plain values.
    """

    fish: str
    sections: tuple[tuple[str, tuple[str, ...]], ...]
    data: dict[str, Any]

    def text(self) -> str:
        """Return the card as words."""
        out = []
        for head, lines in self.sections:
            out += [head, *(f"  {x}" for x in lines or ("nothing on record",)), ""]
        return "\n".join(out).rstrip()


def card_of(place: str | Path, fish: str, on: dt.date | None = None, *, dna: bool = False) -> Card:
    """Return the card of a fish of a register or a folder.

    Parameters
    ----------
    place : str or Path
        Register file, its address, or a folder of tables.
    fish : str
        Name of the fish, or a tag.
    on : date, optional
        Day for which its use is judged; default the programme's day.
    dna : bool
        Read the genotypes too, and say what they speak against; takes longer.

    Raises
    ------
    UsageError
        If no fish has that name or tag.
    RegisterError
        If the register cannot be opened.
    """
    from planner.tasks.registers import is_register

    if is_register(place):
        from planner.store.register import Register
        from planner.tasks.card_source import RegisterSource
    if is_register(place) and not dna:
        with Register.open(place, read_only=True) as register:
            return make_card(RegisterSource(register), fish, on)
    from planner.tasks.card_source import FolderSource
    from planner.tasks.programme import open_programme

    programme = open_programme(place, with_calls=dna)
    source: Source = FolderSource(programme)
    against: tuple[str, ...] = ()
    if dna:
        from planner.tasks.dna_screens import dna_objections

        against = tuple(dna_objections(programme, [find_fish(source, fish)["fish_id"]]).values())
    if not is_register(place):
        return make_card(source, fish, on, against)
    with Register.open(place, read_only=True) as register:
        return make_card(RegisterSource(register), fish, on, against)


def make_card(source: Source, name: str, on: dt.date | None = None, by_dna: tuple[str, ...] = ()) -> Card:
    """Gather everything about one fish; arguments and errors as `card_of`, with what DNA speaks against it in words."""
    from planner.tasks.settings import UNSET_DAY, read_settings

    row = find_fish(source, name)
    fish = row["fish_id"]
    table = source.rows("settings")
    settings, _ = read_settings(
        [(i, r["name"], r["value"], r["source"] or "") for i, r in enumerate(table)], "settings"
    )
    today = settings["today"]
    day = on or (today if isinstance(today, dt.date) and today != UNSET_DAY else _last_day(row))
    identifiers = source.rows("identifiers", {"fish_id": fish})
    tags = list(dict.fromkeys([r["code"] for r in identifiers] + [row["tag"]] * bool(row["tag"])))
    events = {
        "captures": source.rows("captures", {"tag": tags}) + source.rows("captures", {"new_tag": tags}),
        "releases": source.rows("releases", {"tag": tags}),
    }
    versions = source.versions(fish)
    sections: list[tuple[str, list[str]]] = [(_title(row), _who(row, day))]
    kin, kin_data = _kin(source, fish)
    sections += kin
    sections.append(("Identifiers over time", _identifiers(row, identifiers)))
    places = _places(versions, events, source, tags)
    sections.append(("Places and status over time", _most(places)))
    samples = source.rows("samples", {"fish_id": fish})
    sections.append(("Samples", _most(_samples(samples))))
    sizes = measures(source, fish, row, versions, events)
    sections.append(("Measurements and growth", _most(growth_lines(sizes), last=True)))
    crosses = source.rows("crosses", {"dam": fish}) + source.rows("crosses", {"sire": fish})
    sections.append(("Crosses", _most(_crosses(crosses, fish), last=True)))
    offspring = source.rows("fish", {"dam": fish}) + source.rows("fish", {"sire": fish})
    families = source.rows("families", {"dam": fish}) + source.rows("families", {"sire": fish})
    sections.append(("Offspring", _offspring(offspring, families)))
    holds = _holds(source, row)
    sections.append(("Holds", [_hold_words(h, day) for h in holds]))
    treatments = source.rows("treatments", {"subject_kind": "fish", "subject": fish})
    if row["unit"]:
        treatments += source.rows("treatments", {"subject_kind": "unit", "subject": row["unit"]})
    if treatments:
        sections.append(("Treatments", _most([_treatment(t) for t in treatments], last=True)))
    uses = uses_now(source, row, day, settings, holds, crosses, treatments, by_dna)
    sections.append((f"What it may be used for on {day}", [u.text() for u in uses]))
    data = {
        "fish": {
            k: v
            for k, v in row.items()
            if k not in ("entry_id", "record_id", "change_id", "ended_by", "source_row")
        },
        "on": day.isoformat(),
        **kin_data,
        "identifiers": _bare(identifiers),
        "places": places,
        "samples": _bare(samples),
        "measurements": sizes,
        "crosses": _bare(crosses),
        "offspring": [r["fish_id"] for r in offspring],
        "families": [r["family_id"] for r in families],
        "captures": _bare(events["captures"]),
        "releases": _bare(events["releases"]),
        "holds": _bare(holds),
        "treatments": _bare(treatments),
        "uses": [u.as_dict() for u in uses],
    }
    return Card(fish, tuple((h, tuple(x)) for h, x in sections), data)


def find_fish(source: Source, name: str) -> Row:
    """Return the row of a fish by its name or by a tag it has or had.

    Raises
    ------
    UsageError
        If there is none, or a tag belongs to two; near names are offered.
    """
    from broodstock.intake.near_words import did_you_mean, near_word
    from broodstock.tags.codes import Tag, parse_tag

    row = source.get("fish", name)
    if row is not None:
        return row
    tag = parse_tag(name)
    if isinstance(tag, Tag):
        holders = {r["fish_id"] for r in source.rows("identifiers", {"code": tag.code})}
        holders |= {r["fish_id"] for r in source.rows("fish", {"tag": tag.code}, columns=["fish_id"])}
        if len(holders) == 1:
            found = source.get("fish", holders.pop())
            if found is not None:
                return found
        if holders:
            raise UsageError(
                f"fish: tag {tag.code} is or was in {', '.join(sorted(holders))}. Expected one. Give the name."
            )
    names = {str(r["fish_id"]) for r in source.rows("fish", columns=["fish_id"])}
    near = did_you_mean(near_word(name, names))
    raise UsageError(
        f"fish: found {name!r}. Expected the name or a tag of a fish of the records. {near}A tag that nobody knows is looked "
        "up with 'kinshoal whose-tag'."
    )


def _with(before: str, value: Any, after: str = "") -> str:
    """Return a value with words around it, nothing for an empty one."""
    return "" if value is None or value == "" else f"{before}{value}{after}"


def _last_day(row: Row) -> dt.date:
    known = [row[c] for c in ("measured_on", "status_on", "entered_on") if row[c]]
    return dt.date.fromisoformat(max(known)) if known else dt.date(1970, 1, 1)


def _bare(rows: list[Row]) -> list[Row]:
    marks = ("entry_id", "record_id", "change_id", "ended_by", "source_row")
    return [{k: v for k, v in r.items() if k not in marks and v is not None} for r in rows]


def _most(lines: list[str], *, last: bool = False) -> list[str]:
    if len(lines) <= MOST_LISTED:
        return lines
    kept = lines[-MOST_LISTED:] if last else lines[:MOST_LISTED]
    more = f"... {len(lines) - MOST_LISTED} {'earlier' if last else 'more'}"
    return [more, *kept] if last else [*kept, more]


def _title(row: Row) -> str:
    return f"{row['fish_id']}, {row['sex']}{_with(' (', row['sex_basis'], ')')}, {row['status']}"


def _who(row: Row, day: dt.date) -> list[str]:
    lines = [f"origin {row['origin']}" + (f", species {row['species']}" if row["species"] else "")]
    if row["year_class"]:
        lines.append(f"year class {row['year_class']}, about {day.year - int(row['year_class'])} years old")
    for label, column in (("hatched", "hatched_on"), ("in care since", "entered_on"), ("family", "family"), ("unit", "unit"),
                          ("tag", "tag"), ("note", "note")):  # fmt: skip
        if row[column]:
            lines.append(f"{label} {row[column]}")
    if row["status_on"]:
        lines.append(f"{row['status']} since {row['status_on']}")
    return lines


def _kin(source: Source, fish: str) -> tuple[list[tuple[str, list[str]]], dict[str, Any]]:
    living = [r["fish_id"] for r in source.rows("fish", {"status": CARE}, columns=["fish_id", "sex"])]
    pedigree = small_pedigree(source, [fish, *living])
    if pedigree is None:
        own = small_pedigree(source, [fish], depth=3)
        lines = generations(own, fish) if own else ["too many ancestors for a card"]
        said = ["the living brood is too large for a card: 'kinshoal kinship' shows it"]
        return [("Parents, three generations", lines), ("Kin among the living brood", said)], {"kin": None}
    lines = generations(pedigree, fish)
    others = [o for o in living if o != fish]
    kinship = pedigree.kinship_with(fish, others)
    self_kinship = pedigree.kinship_with(fish, [fish])[fish]
    nearest = sorted(kinship, key=lambda o: (-kinship[o], o))[:NEAREST]
    shown = [
        f"{o}: kinship {kinship[o]:.4f}{f', {w}' if (w := relation(pedigree, fish, o)) else ''}"
        for o in nearest
        if kinship[o] > 0
    ]
    mean = sum(kinship.values()) / len(others) if others else None
    said = [
        "no other fish in the living brood"
        if mean is None
        else f"mean kinship with the {len(others)} other living broodfish: {mean:.4f} (recorded parents and sure DNA claims)",
        f"inbreeding {2 * self_kinship - 1:.4f}",
        *(shown or ["no known kin among them"]),
    ]
    data = {
        "dam": pedigree.parents[fish][0] or None,
        "sire": pedigree.parents[fish][1] or None,
        "kin": {
            "mean": mean,
            "inbreeding": 2 * self_kinship - 1,
            "nearest": {o: kinship[o] for o in nearest},
            "number": len(others),
            "method": KIN_METHOD,
        },
    }
    return [("Parents, three generations", lines), ("Kin among the living brood", said)], data


def _identifiers(row: Row, identifiers: list[Row]) -> list[str]:
    lines = [
        f"{r['kind']} {r['code']}  {r['from_date'] or 'unknown day'} to {r['to_date'] or 'now'}{_with('  ', r['note'])}"
        for r in sorted(identifiers, key=lambda r: r["from_date"] or "")
    ]
    if row["tag"] and all(r["code"] != row["tag"] for r in identifiers):
        lines.append(f"tag {row['tag']}  {row['entered_on'] or 'unknown day'} to now")
    return lines


def _places(versions: list[Row], events: dict[str, list[Row]], source: Source, tags: list[str]) -> list[str]:
    found: list[tuple[str, str]] = []
    before: tuple[Any, Any] | None = None
    for v in versions:
        now = (v["unit"], v["status"])
        if now != before:
            day = (
                v["status_on"]
                if before is None or v["status"] != before[1]
                else (v["true_on"] or v["entered"])
            )
            found.append((day or "", f"{v['status']}{_with(' in unit ', v['unit'])}"))
        before = now
    found += [
        (r["released_on"] or "", f"released at {r['site_id']} ({r['event']})") for r in events["releases"]
    ]
    found += [
        (r["captured_on"] or "", f"captured at {r['site_id']} ({r['capture_id']})")
        for r in events["captures"]
    ]
    days = source.rows("detection_days", {"tag": tags}) if tags else []
    if days:
        site = {r["deployment_id"]: r["site_id"] for r in source.rows("deployments")}
        by_site: dict[str, list[str]] = {}
        for d in days:
            by_site.setdefault(site.get(d["deployment_id"], "?"), []).append(d["day"])
        for where, seen in by_site.items():
            span = min(seen) if min(seen) == max(seen) else f"{min(seen)} to {max(seen)}"
            found.append((max(seen), f"heard at {where} on {len(set(seen))} day(s), {span}"))
    return [f"{day or 'unknown day'}  {words}" for day, words in sorted(found)]


def _samples(samples: list[Row]) -> list[str]:
    return [
        f"{r['sample_id']}  {r['collected_on'] or 'unknown day'}  {r['group']}"
        f"{_with(', haplotype ', r['haplotype'])}{_with(', plate ', r['plate'])}{_with(' ', r['well'])}"
        for r in samples
    ]


def measures(
    source: Source, fish: str, row: Row, versions: list[Row], events: dict[str, list[Row]]
) -> list[Row]:
    """Return total lengths and weights of a fish by day, each once."""
    found: dict[str, Row] = {}

    def note(day: str | None, length: Any, weight: Any, where: str) -> None:
        if day and (length is not None or weight is not None):
            one = found.setdefault(day, {"on": day, "length_mm": None, "weight_g": None, "where": where})
            one["length_mm"] = length if length is not None else one["length_mm"]
            one["weight_g"] = weight if weight is not None else one["weight_g"]

    for v in [*versions, row]:
        note(v["measured_on"], v["total_length_mm"], v["weight_g"], "record of the fish")
    for r in events["releases"]:
        note(r["released_on"], r["total_length_mm"], r["weight_g"], f"release at {r['site_id']}")
    for r in events["captures"]:
        length = r["length_mm"] if r["length_type"] in ("TL", None) else None
        note(r["captured_on"], length, r["weight_g"], f"capture at {r['site_id']}")
    for r in source.rows("measurements", {"subject_kind": "fish", "subject": fish}):
        if r["kind"] == "total-length" and r["unit"] == "mm":
            note(r["measured_on"], r["value"], None, "measurement")
        elif r["kind"] == "weight" and r["unit"] == "g":
            note(r["measured_on"], None, r["value"], "measurement")
    return [found[d] for d in sorted(found)]


def growth_lines(sizes: list[Row]) -> list[str]:
    """Return measurements as lines with condition, and growth since the last length.

    Notes
    -----
    Condition is Fulton's, 100 000 times grams over millimetres cubed.
    """
    lines, before = [], None
    for m in sizes:
        words = [m["on"]]
        if m["length_mm"] is not None:
            words.append(f"{m['length_mm']:g} mm")
        if m["weight_g"] is not None:
            words.append(f"{m['weight_g']:g} g")
        if m["length_mm"] and m["weight_g"]:
            words.append(f"condition {1e5 * m['weight_g'] / m['length_mm'] ** 3:.2f}")
        if m["length_mm"] is not None and before is not None:
            days = (dt.date.fromisoformat(m["on"]) - dt.date.fromisoformat(before["on"])).days
            if days >= 30:
                words.append(
                    f"growth {(m['length_mm'] - before['length_mm']) * 365.25 / days:+.0f} mm a year"
                )
        lines.append("  ".join([*words, f"[{m['where']}]"]))
        before = m if m["length_mm"] is not None else before
    return lines


def _crosses(crosses: list[Row], fish: str) -> list[str]:
    lines = []
    for r in sorted(crosses, key=lambda r: r["made_on"] or ""):
        mate = r["sire"] if r["dam"] == fish else r["dam"]
        counts = ", ".join(
            f"{k.replace('_', ' ')} {r[k]}"
            for k in ("eggs", "hatched", "swim_up", "kept")
            if r[k] is not None
        )
        family = f", family {r['family']}" if r["family"] else ""
        lines.append(f"{r['made_on']}  {r['cross_id']} with {mate}{f': {counts}' if counts else ''}{family}")
    return lines


def _offspring(offspring: list[Row], families: list[Row]) -> list[str]:
    lines = []
    if offspring:
        names = [r["fish_id"] for r in offspring]
        alive = sum(r["status"] in ("brood", "hold", "to-release") for r in offspring)
        lines.append(f"{len(names)} known as individuals, {alive} in care: {few(names, MOST_LISTED)}")
    if families:
        names = [r["family_id"] for r in families]
        lines.append(
            f"{len(names)} famil{'y' if len(names) == 1 else 'ies'}: {', '.join(names[:MOST_LISTED])}"
        )
    return lines


def _holds(source: Source, row: Row) -> list[Row]:
    out = source.rows("holds", {"subject_kind": "fish", "subject": row["fish_id"]})
    for kind, subject in (("family", row["family"]), ("unit", row["unit"])):
        if subject:
            out = out + source.rows("holds", {"subject_kind": kind, "subject": subject})
    return out


def _hold_words(hold: Row, day: dt.date) -> str:
    text = day.isoformat()
    now = hold["from_date"] <= text and (hold["until_date"] is None or hold["until_date"] >= text)
    of = "" if hold["subject_kind"] == "fish" else f" of {hold['subject_kind']} {hold['subject']}"
    note = f": {hold['note']}" if hold["note"] else ""
    span = f"{hold['from_date']} to {hold['until_date'] or 'open'}"
    return f"{'IN FORCE' if now else 'not in force'}  {hold['reason']}{of}, {span}{note}"


def _treatment(t: Row) -> str:
    until = f", withdrawal until {t['withdrawal_until']}" if t["withdrawal_until"] else ""
    of = "" if t["subject_kind"] == "fish" else f" of {t['subject_kind']} {t['subject']}"
    return f"{t['started_on']}  {t['product_class']}{of} for {t['reason']}{until}"
