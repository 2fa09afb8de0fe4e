"""Where everything is: the three desks and the records, in the order of the work."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Link:
    """One page in the navigation.

    Parameters
    ----------
    title : str
        Its name.
    path : str
        Its address.
    """

    title: str
    path: str


@dataclass(frozen=True)
class Desk:
    """The pages one person works with.

    Parameters
    ----------
    title : str
        Name of the desk.
    who : str
        For whom.
    home : str
        First page.
    links : tuple of Link
        Pages.
    """

    title: str
    who: str
    home: str
    links: tuple[Link, ...]


DESKS: tuple[Desk, ...] = (
    Desk(
        "Today",
        "hatchery manager",
        "/today",
        (
            Link("Spawning plan", "/spawning"),
            Link("Spawning day", "/spawning/day"),
            Link("Lots and tanks", "/lots"),
            Link("Season ahead", "/season"),
            Link("Choices", "/choices"),
        ),
    ),
    Desk(
        "Waters",
        "recovery coordinator",
        "/waters",
        (
            Link("Map", "/waters/map"),
            Link("Release plan", "/release"),
            Link("Survivors or kinship", "/release/tradeoff"),
            Link("Release day", "/release/day"),
            Link("Truck loads", "/release/loads"),
            Link("Captures and scans", "/monitoring"),
            Link("Permits", "/permits"),
        ),
    ),
    Desk(
        "Diversity",
        "geneticist",
        "/diversity",
        (
            Link("Kinship", "/kinship"),
            Link("Pedigree", "/pedigree"),
            Link("Founders", "/founders"),
            Link("Trends", "/diversity/trends"),
            Link("Audit", "/audit"),
            Link("Projection", "/projection"),
        ),
    ),
    Desk(
        "Records",
        "everyone",
        "/records",
        (
            Link("Import", "/records/import"),
            Link("Two people", "/proposals"),
            Link("Queue", "/records/queue"),
            Link("Findings", "/records/findings"),
            Link("Changes", "/records/changes"),
            Link("Decisions", "/decisions"),
            Link("Settings", "/settings"),
            Link("Sheets", "/sheets"),
            Link("Jobs", "/jobs"),
        ),
    ),
)


def desk_of(path: str) -> Desk | None:
    """Return the desk a page belongs to: the longest address that the path starts with."""
    best: tuple[int, Desk] | None = None
    for desk in DESKS:
        for address in (desk.home, *(link.path for link in desk.links)):
            if (path == address or path.startswith(address + "/")) and (
                best is None or len(address) > best[0]
            ):
                best = (len(address), desk)
    return best[1] if best else None
