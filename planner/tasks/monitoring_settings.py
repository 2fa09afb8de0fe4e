"""Settings of monitoring: tags kept, larval quotas, drawdowns.

Rows of name, kind, default, sentence, unit, lowest, highest, source; `planner.tasks.settings` registers them.
"""

from __future__ import annotations

from planner.tasks.season_settings import PRACTICE, Row

MONITORING_SETTINGS: tuple[Row, ...] = (
    ("tag_kept_first_year", "number", 1.0, "Share of living fish that still carry a readable tag a year after release; "
     "1: survival is of fish with their tag.", "", 0.2, 1, "not corrected; set your own from double tags"),
    ("growth_mm_month", "number", 0.0, "Growth in the next month of a fish of 300 mm; 0: not known.", "mm", 0, 100,
     "accepted from monitoring, or set your own"),
    ("detection_yearly", "number", 0.0, "Chance that a living fish of the main water is met in a year; 0: not known.", "",
     0, 1, "accepted from monitoring, or set your own"),
    ("larval_share_max", "number", 0.3, "Largest share of a season's larvae from one zone or one week.", "", 0.01, 1,
     PRACTICE),
    ("larval_night_share_max", "number", 0.15, "Largest share of a season's larvae from one night in one zone.", "", 0.01, 1,
     PRACTICE),
    ("parent_coverage", "number", 0.9, "Share of the parents of a further larva that should be known.", "", 0.1, 0.999,
     PRACTICE),
    ("renovation_years", "integer", 10, "Years after which a renovation of a backwater is looked at again.", "years", 1, 100,
     "benefits of renovations last 5 to 15 years in published reports; " + PRACTICE),
)  # fmt: skip
