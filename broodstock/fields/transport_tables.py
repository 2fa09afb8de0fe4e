"""Tables about carrying fish: trucks and distances."""

from __future__ import annotations

from broodstock.fields.columns import Column as C
from broodstock.fields.columns import Table

TRANSPORT_TABLES = (
    Table(
        "trucks",
        "One truck that carries fish on release days; without this table the settings describe like trucks.",
        (
            C("truck", "text", "Name of the truck.", required=True),
            C("volume_l", "number", "Water in its tanks.", required=True, unit="L", low=1, high=1e5),
            C("kg_per_l", "number", "Most fish mass in it.", required=True, unit="kg/L", low=0.001, high=1),
            C("trips_per_day", "integer", "Most trips of a day.", required=True, low=0, high=20),
            C("stops", "integer", "Most waters on one trip.", required=True, low=1, high=4),
            C("in_service", "flag", "May it drive; empty: yes."),
            C("note", "text", "Anything else."),
        ),
        ("truck",),
    ),
    Table(
        "distances",
        "Road distance between two places; without it the distance along the river is taken.",
        (
            C("from_place", "text", "A site_id, or 'station'.", required=True),
            C("to_place", "text", "A site_id, or 'station'.", required=True),
            C("km", "number", "Distance; holds both ways.", required=True, unit="km", low=0, high=10000),
        ),
    ),
)
