"""Spawning days for which no plan can exist, told before any search: rules that contradict each other, no mates."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from planner.optimise.spawning.data import SpawningData
from planner.tasks.candidates import Candidate
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme

NAMED = 6
"""Fish named for one reason; the others are counted."""


def refuse_contradictory_settings(programme: Programme) -> None:
    """Refuse settings of a spawning day that no plan can meet, whatever the fish.

    Raises
    ------
    NoPlanError
        If more crosses are wanted than cells are free, or the fewest males per female are above the most; the
        message names the settings and the least changes that would help (exit code 4).
    """
    settings = programme.settings
    wanted, cells = int(settings["crosses_wanted"]), int(settings["cells"])
    if wanted > cells:
        raise _refusal(
            f"found {wanted} crosses wanted and {cells} cells free. Expected a cell for every dish.",
            [
                f"Exactly the wanted number of new dishes is laid. {wanted} new dishes wanted. [crosses_wanted]",
                f"Every dish has a cell of its own. {cells} cells free. [cells]",
            ],
            [
                f"Lower crosses_wanted to {cells}." if cells else "Plan no crosses: there is no cell.",
                f"Free {wanted - cells} more cells.",
            ],
        )
    for one, others in (("female", "males"), ("male", "females")):
        name = f"{others}_per_{one}"
        fewest, most = (int(settings[f"{name}_{end}"]) for end in ("min", "max"))
        if fewest > most:
            raise _refusal(
                f"found at least {fewest} and at most {most} {others} per {one}. Expected the least number first.",
                [
                    f"A {one} is crossed with at least {fewest} different {others}. [{name}_min]",
                    f"A {one} is crossed with at most {most} different {others}. [{name}_max]",
                ],
                [f"Lower {name}_min to {most}.", f"Raise {name}_max to {fewest}."],
            )
    design = settings["mating_design"]
    if design in ("full-factorial", "blocks"):
        _refuse_broken_blocks(
            design, int(settings["block_females"]), int(settings["block_males"]), wanted, cells
        )


def _refuse_broken_blocks(design: str, females: int, males: int, wanted: int, cells: int) -> None:
    """Refuse a number of dishes that factorials of the given size cannot make."""
    one = females * males
    if wanted == one or (design == "blocks" and wanted % one == 0):
        return
    fit = [one] if design == "full-factorial" else [k * one for k in (wanted // one, wanted // one + 1) if k]
    raise _refusal(
        f"found {wanted} crosses wanted and {females} females x {males} males in a {design.removesuffix('s')}. Expected "
        f"{'whole blocks' if design == 'blocks' else 'one dish for every pair'}.",
        [
            f"Exactly the wanted number of new dishes is laid. {wanted} new dishes wanted. [crosses_wanted]",
            f"Every chosen female is crossed once with every chosen male of her block: {one} dishes a block. "
            "[mating_design]",
        ],
        [f"Set crosses_wanted to {n}." for n in fit if n <= cells]
        + ["Set block_females and block_males so that their product fits.", "Set mating_design to limits."],
    )


def refuse_unusable(demanded: Mapping[str, int], judged: Sequence[Candidate]) -> None:
    """Refuse a demand to use fish that may not be crossed.

    Parameters
    ----------
    demanded : mapping of str to int
        Dishes demanded of fish that are no candidates.
    judged : sequence of Candidate
        Every fish considered.

    Raises
    ------
    NoPlanError
        If there is such a fish (exit code 4).
    """
    if not demanded:
        return
    why = {c.fish_id: c.why_not for c in judged}
    rules = [
        f"{fish} takes part in at least {n} dishes. [uses_min] It may not be crossed: "
        f"{why.get(fish) or 'it is no living broodfish'}."
        for fish, n in demanded.items()
    ]
    raise _refusal(
        "found fish that must be used and may not be crossed. Expected fish that may be crossed.",
        rules,
        [
            f"Take {', '.join(demanded)} out of uses_min.",
            "Correct the records if the reason no longer stands.",
        ],
    )


def refuse_missing_sex(
    candidates: Sequence[Candidate],
    dishes: int,
    other_changes: Sequence[str] = (),
    reasons: Mapping[str, str] | None = None,
) -> None:
    """Refuse days on which no female, or no male, may be crossed.

    Parameters
    ----------
    candidates : sequence of Candidate
        Every fish judged.
    dishes : int
        New dishes wanted.
    other_changes : sequence of str
        Further changes that would help.
    reasons : mapping of str to str, optional
        Reasons that stand against fish by the look ahead, in place of those of one morning.

    Raises
    ------
    NoPlanError
        With the reasons that stand against the fish of the sex that is missing (exit code 4).
    """
    free = {sex: sum(c.may_cross and c.sex == sex for c in candidates) for sex in ("female", "male")}
    missing = [sex for sex, number in free.items() if number == 0]
    if not missing:
        return
    rules = [f"Exactly the wanted number of new dishes is laid. {dishes} new dishes wanted. [crosses_wanted]"]
    changes = ["Lay no dish today.", *other_changes]
    ahead = reasons or {}
    for sex in missing:
        against: dict[str, list[str]] = defaultdict(list)
        for c in candidates:
            if c.sex == sex:
                why = c.why_not if c.frozen else ahead.get(c.fish_id, c.why_not)
                against[why].append(c.fish_id + (" (frozen milt)" if c.frozen else ""))
        rules.append(
            f"A dish takes eggs of a female and milt of a male. No {sex} may be crossed. [both-sexes]"
        )
        rules += [f"  {', '.join(fish[:NAMED])}{_more(fish)}: {why}" for why, fish in against.items()]
        if against:
            changes.append(f"Free one {sex} of those named above, or bring in another that is ripe.")
        else:
            changes.append(f"Bring in a ripe {sex}: the records hold no living one for breeding.")
    raise _refusal(
        f"found {free['female']} females and {free['male']} males that may be crossed. Expected fish of both sexes.",
        rules,
        changes,
    )


def refuse_no_cells(data: SpawningData, laid: int, dishes: int) -> None:
    """Refuse the rest of a morning without a cell when no dish of the season stands either: nothing is left to plan.

    Parameters
    ----------
    data : SpawningData
        Candidates and dishes made this season.
    laid : int
        Dishes laid this morning.
    dishes : int
        Dishes that can still be laid.

    Raises
    ------
    NoPlanError
        If all three are none (exit code 4).
    """
    if dishes == 0 and laid == 0 and len(data.made) == 0:
        raise _refusal(
            "found no cell left for a dish, and no dish laid.",
            [
                "The plan has at least one dish. [dishes]",
                "Every dish has a cell of its own. 0 cells free. [cells]",
            ],
            ["Free 1 cell.", "Lay no dish today: the plan needs no new version."],
        )


def _more(fish: list[str]) -> str:
    return f" and {len(fish) - NAMED} more" if len(fish) > NAMED else ""


def _refusal(found: str, rules: list[str], changes: list[str]) -> NoPlanError:
    """Put what was found, the rules that cannot hold together and what would help into one error."""
    lines = [f"Spawning plan: {found}", "These rules cannot hold together:"]
    lines += [rule if rule.startswith("  ") else f"- {rule}" for rule in rules]
    return NoPlanError("\n".join([*lines, *(f"  would help: {change}" for change in changes)]), 4)
