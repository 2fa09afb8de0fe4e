"""Stock of tags, tags lost and fish with two tags, from the records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from broodstock.estimates import Estimate
from broodstock.tags.stock import TagStock, loss_of_double_tags, tag_stock
from planner.tasks.individuals import Individual, individuals
from planner.tasks.name_lists import few
from planner.tasks.programme import Programme
from planner.tasks.rows import rows
from planner.tasks.whose_tag import bought_ranges, scrapped_runs

MOST_NAMED = 12


@dataclass(frozen=True)
class TagReport:
    """Everything about tags on one page.

    Parameters
    ----------
    stock : TagStock
        By box.
    two_tags : tuple of (str, tuple of str)
        Fish with more than one tag now, and their tags.
    retagged : int
        Fish whose tag was replaced.
    shared : tuple of (str, tuple of str)
        Tags in two fish at once.
    loss : Estimate
        Loss of one tag, from fish with two.
    """

    stock: TagStock
    two_tags: tuple[tuple[str, tuple[str, ...]], ...]
    retagged: int
    shared: tuple[tuple[str, tuple[str, ...]], ...]
    loss: Estimate

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows by box."""
        head = ["box", "first", "last", "for", "bought", "used", "scrapped", "left", "next free"]
        return head, [
            [
                b.box,
                b.first,
                b.last,
                b.purpose,
                *map(str, (b.bought, b.used, b.scrapped, b.left)),
                b.next_free or "-",
            ]
            for b in self.stock.boxes
        ]

    def lines(self) -> list[str]:
        """Return what stands under the table."""
        s = self.stock
        left = sum(b.left for b in s.boxes if b.purpose == "fish")
        out = [f"{left} tags left for fish."]
        out += [
            f"Codes {a} to {b} stand in box '{x}' and in box '{y}': correct one."
            for x, y, a, b in s.in_two_boxes
        ]
        out += _named(s.used_scrapped, "scrapped tag(s) in a fish")
        out += _named(s.never_bought, "tag(s) in a fish outside every box bought")
        out += [
            f"Tag {code} is in {' and in '.join(who)}: scan both." for code, who in self.shared[:MOST_NAMED]
        ]
        if self.two_tags:
            shown = "; ".join(f"{f}: {', '.join(c)}" for f, c in self.two_tags[:MOST_NAMED])
            out.append(
                f"{len(self.two_tags)} fish with two tags now (tags close together can hide each other): {shown}"
            )
        out.append(f"{self.retagged} fish were tagged again after a tag was lost or not read.")
        out.append(f"loss of one tag, from fish with two: {self.loss.text()}")
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        from dataclasses import asdict

        return {
            "boxes": [asdict(b) for b in self.stock.boxes],
            "in_two_boxes": [list(x) for x in self.stock.in_two_boxes],
            "used_scrapped": list(self.stock.used_scrapped),
            "never_bought": list(self.stock.never_bought),
            "two_tags": {f: list(c) for f, c in self.two_tags},
            "shared": {c: list(f) for c, f in self.shared},
            "retagged": self.retagged,
            "loss_of_one_tag": self.loss.as_dict(),
        }


def _named(codes: tuple[str, ...], words: str) -> list[str]:
    if not codes:
        return []
    return [f"{len(codes)} {words}: {few(codes, MOST_NAMED)}"]


def tag_report(programme: Programme) -> TagReport:
    """Count the stock of tags and look for tags lost, doubled or shared.

    Parameters
    ----------
    programme : Programme
        Open records.

    Returns
    -------
    TagReport
    """
    fish = individuals(programme, programme.today)
    used = {c for one in fish for c in one.tags}
    used |= {r.tag for r in rows(programme.tables["stock"])} - {""}
    stock = tag_stock(bought_ranges(programme), used, scrapped_runs(programme))
    now = [(one, [c for c, (_, last) in one.tags.items() if last is None]) for one in fish]
    two = tuple((one.name, tuple(c)) for one, c in now if len(c) > 1 and one.gone_on is None)
    holders: dict[str, list[str]] = {}
    for one, codes in now:
        if one.gone_on is None:
            for code in codes:
                holders.setdefault(code, []).append(one.name)
    shared = tuple((c, tuple(w)) for c, w in holders.items() if len(w) > 1)
    replaced = sum(
        any(last is not None for _, last in one.tags.values()) and len(one.tags) > 1 for one in fish
    )
    both, lost = _double_tagged(fish)
    return TagReport(stock, two, replaced, shared, loss_of_double_tags(both, lost))


def _double_tagged(fish: list[Individual]) -> tuple[int, int]:
    """Count fish that carried two tags at once and have both now, or one."""
    both = one_left = 0
    for one in fish:
        spans = [(first, last) for first, last in one.tags.values() if first is not None]
        doubled = any(
            i != j and a[0] < b[0] and (a[1] is None or a[1] > b[0])
            for i, a in enumerate(spans)
            for j, b in enumerate(spans)
        ) or len({s[0] for s in spans}) < len(spans)
        if not doubled:
            continue
        open_now = sum(last is None for _, last in spans)
        both += open_now >= 2
        one_left += open_now == 1
    return both, one_left
