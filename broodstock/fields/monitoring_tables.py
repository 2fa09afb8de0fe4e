"""Tables about monitoring: larval quotas, and drawdowns with every version of their count."""

from __future__ import annotations

from broodstock.fields.columns import Column as C
from broodstock.fields.columns import Table

MONITORING_TABLES = (
    Table(
        "larval_quotas",
        "How many larvae are wanted from one zone in one week.",
        (
            C("year_class", "integer", "Year class.", required=True, low=1950, high=2100),
            C("zone", "text", "Zone, as in the table of larval takes.", required=True),
            C("week_from", "date", "First day of the week.", required=True),
            C("number", "integer", "Larvae wanted.", required=True, low=0, high=10_000_000),
            C(
                "night_share_max",
                "number",
                "Largest share of the quota that one night may give; empty: the setting.",
                low=0,
                high=1,
            ),
            C("note", "text", "Anything else."),
        ),
        ("year_class", "zone", "week_from"),
    ),
    Table(
        "drawdown_counts",
        "One version of the count of one drawdown; versions that differ are all kept.",
        (
            C("drawdown_id", "text", "Name of the drawdown.", required=True),
            C("version", "text", "Which version: who counted, or which report.", required=True),
            C("site_id", "text", "Site.", required=True, refers="sites.site_id"),
            C("counted_on", "date", "Day.", required=True),
            C("expected", "integer", "Adults expected.", low=0, high=10_000_000),
            C("alive", "integer", "Adults alive.", low=0, high=10_000_000),
            C("dead", "integer", "Adults found dead.", low=0, high=10_000_000),
            C("without_tag", "integer", "Adults without a readable tag.", low=0, high=10_000_000),
            C("retagged", "integer", "Adults given a new tag.", low=0, high=10_000_000),
            C("young", "integer", "Young of the water.", low=0, high=10_000_000),
            C("intruders", "integer", "Fish of other species.", low=0, high=100_000_000),
            C("counted_by", "text", "Who counted; a role, not a person."),
            C("note", "text", "Species of intruders, anything else."),
        ),
        ("drawdown_id", "version"),
    ),
    Table(
        "drawdown_fish",
        "One fish ticked off at a drawdown.",
        (
            C("drawdown_id", "text", "Name of the drawdown.", required=True),
            C("number", "integer", "Running number on the sheet.", required=True, low=1, high=10_000_000),
            C("site_id", "text", "Site.", required=True, refers="sites.site_id"),
            C("handled_on", "date", "Day.", required=True),
            C(
                "kind",
                "choice",
                "What it is.",
                required=True,
                choices=("adult", "young", "intruder"),
            ),
            C("tag", "tag", "PIT code as read; empty if none was read."),
            C("new_tag", "tag", "PIT code given now."),
            C("fate", "choice", "What became of it.", choices=("alive", "dead", "moved", "returned")),
            C("to_site", "text", "Site it was moved to.", refers="sites.site_id"),
            C("sex", "choice", "Sex as seen.", choices=("female", "male", "unknown")),
            C("total_length_mm", "number", "Total length.", unit="mm", low=5, high=1500),
            C("species", "text", "Species of an intruder."),
            C("note", "text", "Anything else."),
        ),
        ("drawdown_id", "number"),
    ),
)
