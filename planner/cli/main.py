"""The command group: names and one-line help only, so that `kinshoal --help` starts at once.

A command's module is imported when the command is asked for, never before.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("planner.cli.demo:demo", "Make the invented practice programme and run the main job on it."),
    "serve": (
        "planner.web.command:serve",
        "Open the records in a browser on this machine, without internet.",
    ),
    "check": ("planner.cli.records:check", "Read a folder of records and list every fault and doubt."),
    "register": (
        "planner.cli.register:register",
        "Keep records in one file with their history: import, review, merge, copy.",
    ),
    "columns": ("planner.cli.records:columns", "Explain the tables and columns, or write empty templates."),
    "settings": ("planner.cli.records:settings", "Show the settings in force, their meaning and source."),
    "tag": ("planner.cli.records:tag", "Explain one PIT code in all its forms."),
    "whose-tag": ("planner.cli.tags:whose_tag", "Rank the fish that may carry an unknown tag."),
    "tags": ("planner.cli.tags:tags", "Stock of tags: bought, used, scrapped, left; tags lost or doubled."),
    "permits": ("planner.cli.permits:permits", "Running tally of every permit, and when to stop and phone."),
    "may-move": ("planner.cli.permits:may_move", "May these fish go there on that day, and why or why not."),
    "card": ("planner.cli.card:card", "One fish on one page: kin, tags, places, sizes, uses."),
    "add": ("planner.cli.entry:add", "Add one record to a register."),
    "change": ("planner.cli.entry:change", "Correct one record; the old version stays."),
    "withdraw": ("planner.cli.entry:withdraw", "Withdraw one record; its history stays."),
    "list": ("planner.cli.entry:list_", "List the records of a table, now or as known on a day."),
    "show": ("planner.cli.entry:show", "Show one record and who entered it."),
    "find": ("planner.cli.entry:find", "Find a name, tag or word in every table."),
    "history": ("planner.cli.entry:history", "Every version of a record: who, when, why, old and new."),
    "confirm": ("planner.cli.entry:confirm", "Confirm a proposal as the second person."),
    "merge-fish": ("planner.cli.entry:merge_fish", "Propose that two names are one fish."),
    "lots": ("planner.cli.lots:lots", "Families in a lot, tank, pond, truck or water; do the fish add up."),
    "diversity": ("planner.cli.genetics:diversity", "Diversity by year class, site or line, with intervals."),
    "size": ("planner.cli.genetics:size", "Effective size (Ne, Nb) of groups, estimators side by side."),
    "kinship": ("planner.cli.genetics:kinship", "Kinship and mean kinship of the living broodfish."),
    "founders": ("planner.cli.genetics:founders", "What each founder line still contributes, and where."),
    "quality": ("planner.cli.audit:quality", "Check the genotypes: what to leave out, what to look at."),
    "parents": ("planner.cli.audit:parents", "Parents by DNA against the record; exchanged dishes found."),
    "audit": ("planner.cli.audit:audit", "Report on a year class: diversity, parents, losses, what to do."),
    "spawn": ("planner.cli.plans:spawn", "Plan the crosses of least mean kinship and print the sheet."),
    "replan": (
        "planner.cli.morning:replan",
        "Plan the rest of a spawning day again after something went wrong.",
    ),
    "season": (
        "planner.cli.season:season",
        "Ripe fish by day, pairs to hold for which day, what to prepare.",
    ),
    "rehearse": ("planner.cli.season:rehearse", "Play a spawning day many times; what comes out."),
    "designs": ("planner.cli.season:designs", "Mating designs side by side for the same fish."),
    "hatch": ("planner.cli.season:hatch", "Hatch and swim-up dates from water temperature."),
    "equalise": ("planner.cli.season:equalise", "Fish of each family to keep at each cull, and the surplus."),
    "production": ("planner.cli.season:production", "From fish at release back to eggs, families and tags."),
    "release": ("planner.cli.plans:release", "Plan which fish go to which water and print the manifest."),
    "load": ("planner.cli.release_day:load", "Load the trucks: which fish, which truck, in which order."),
    "tradeoff": ("planner.cli.release_day:tradeoff", "Survivors against kinship: plans with their proofs."),
    "sheet": ("planner.cli.sheets:sheet", "Print a sheet: ripeness, labels, counts, census, memo and more."),
    "key-in": ("planner.cli.sheets:key_in", "Key in a filled sheet: all faults at once, one change."),
    "abundance": (
        "planner.cli.monitoring:abundance",
        "How many fish: closed estimators from the netting visits.",
    ),
    "survival": ("planner.cli.monitoring:survival", "Survival by water, season, length and year; fit shown."),
    "ghosts": ("planner.cli.monitoring:ghosts", "Tags that may lie in the water without a living fish."),
    "growth": (
        "planner.cli.monitoring:growth",
        "Growth of fish measured twice, condition, weight and length.",
    ),
    "contribution": (
        "planner.cli.monitoring:contribution",
        "What released groups contribute to adults and larvae.",
    ),
    "feedback": (
        "planner.cli.monitoring:feedback",
        "New values from monitoring beside those in use; accept one by one.",
    ),
    "quota": ("planner.cli.monitoring:quota", "Larvae by zone and week against the quota; parents caught."),
    "drawdown": ("planner.cli.monitoring:drawdown", "Tick-off for drawing down a water; every count kept."),
    "renovations": ("planner.cli.monitoring:renovations", "Calendar of renovations: done, planned, due."),
    "trial": ("planner.cli.monitoring:trial", "Simulate this programme and try the estimators."),
    "power": ("planner.cli.monitoring:power", "Larvae, loci, nets or scan hours needed to see a change."),
    "keep": ("planner.cli.choices:keep", "Choose the fish to keep as future parents, founder lines kept."),
    "loss": ("planner.cli.choices:loss", "What would be gone if a tank, pond, water or truck were lost."),
    "found": (
        "planner.cli.choices:found",
        "Choose the fish that found the group of a new or renovated water.",
    ),
    "grow": ("planner.cli.choices:grow", "Release now or grow on: survivors, money, break-even loss."),
    "exchange": (
        "planner.cli.choices:exchange",
        "Plan moves between backwaters, 1 to 10 migrants a generation.",
    ),
    "project": (
        "planner.cli.project:project",
        "Project diversity, numbers and cost over the years; strategies side by side.",
    ),
}


class LazyGroup(click.Group):
    """A group that imports a command's module only when the command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Import and return one command, None when there is no such command."""
        if name not in COMMANDS:
            return None
        module, attribute = COMMANDS[name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, epilog="Example: kinshoal demo practice")
@click.version_option(package_name="kinshoal", prog_name="kinshoal")
def group() -> None:
    """Plan crosses and releases that keep the diversity of an endangered fish.

    Reads a folder of plain tables and genotypes, checks them, computes diversity and kinship, and
    chooses spawning pairs and release sites of least mean kinship, each with a proven gap.
    """


def main(args: list[str] | None = None) -> None:
    """Run the command line; the process ends with the documented exit code.

    Parameters
    ----------
    args : list of str, optional
        Arguments; default those of the process.
    """
    words = sys.argv[1:] if args is None else args
    try:
        code: Any = group.main(args=words, prog_name="kinshoal", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        code = 2
    except click.UsageError as error:
        error.show()
        code = 2
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped; nothing half-written.", err=True)
        code = 1
    except Exception as error:  # the edge: every error becomes words and an exit code
        from planner.cli.output import show_error

        code = show_error(error, as_json="--json" in words)
    sys.exit(code if isinstance(code, int) else 0)
