"""Settings of tags, permits and quarantine: how often codes are written wrongly, and what is expected of fish that are seen again.

Rows of name, kind, default, sentence, unit, lowest, highest, source; `planner.tasks.settings` registers them.
"""

from __future__ import annotations

from planner.tasks.season_settings import FIELD, GUESS, PRACTICE, Row

TAG_SETTINGS: tuple[Row, ...] = (
    ("tag_slip_rate", "number", 0.01, "Share of typed codes that are written wrongly.", "", 1e-9, 0.5, GUESS),
    ("tag_scan_rate", "number", 1e-5, "Share of codes wrong that a reader stored itself.", "", 1e-9, 0.5, GUESS),
    ("tag_new_share", "number", 0.005, "Share of the fish of the records with a tag that was never entered.", "", 0, 1,
     GUESS),
    ("fish_not_in_records", "number", 0.05, "Share of handled fish that are not in the records.", "", 0, 1,
     "4 to 6 % unknown tags in two years of remote scans; " + FIELD),
    ("fish_not_in_records_ours", "number", 0.5, "Share of them with a tag of our own ranges.", "", 0, 1, GUESS),
    ("seen_again_survival", "number", 0.75, "Yearly survival at large, to weigh fish not seen for long.", "", 0.01, 1,
     GUESS),
    ("seen_again_same_place", "number", 0.7, "Chance that a fish at large is seen again where it was last.", "", 0, 1,
     GUESS),
    ("growth_largest_mm", "number", 575, "Total length that growth tends to.", "mm", 50, 2000,
     "of a large sucker; " + FIELD),
    ("growth_per_year", "number", 0.6, "Rate at which the way to it shrinks.", "per year", 0.01, 5, FIELD),
    ("quarantine_days", "integer", 30, "Days a fish stays in a unit of kind quarantine before it may go elsewhere.", "days",
     0, 1000, PRACTICE),
    ("permit_warn_share", "number", 0.9, "Share of a permit's limit from which its tally warns.", "", 0, 1, PRACTICE),
    ("sib_not_in_records", "number", 0.1, "Chance that a fish not in the records is a full sib of one in them.", "", 0,
     1, GUESS),
)  # fmt: skip
