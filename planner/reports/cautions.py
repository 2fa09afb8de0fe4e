"""The usual cautions, printed only where they apply. No doses, ever.

Facts here are common practice of the trade (no source) unless a source is named.
"""

from __future__ import annotations

from collections.abc import Iterable

CLOSING = "This sheet is a planning aid. Follow your permit, label, veterinarian and agency rules."

CAUTIONS: dict[str, tuple[str, ...]] = {
    "names": (
        "Check every fish with the scanner, never by its place in the tank.",
        "Kinship is an estimate; where it comes from DNA it has an error.",
    ),
    "anaesthesia": (
        "Anaesthetics: authorised use and trained people only; product label and veterinarian decide amounts. "
        "Never leave a fish in the bath; watch the gill beats; gloves on. Note the withdrawal time.",
    ),
    "hormone": (
        "Hormones only under the programme's own veterinary protocol; a second person checks the weight; "
        "mind the needle.",
    ),
    "spawning": (
        "One male per dish. Pool dishes only after fertilisation is complete, and write the shares down.",
        "Keep milt and eggs dry and out of the sun until they are mixed.",
    ),
    "disinfectant": (
        "Disinfectants: safety data sheet at hand, eye wash, gloves, fresh air; keep away from fish and drains.",
    ),
    "tagging": (
        "Scan before tagging and after; clean needles; respect the minimum length of your protocol.",
    ),
    "transport": (
        "Before loading: permit and health certificate in the cab, clean-truck check, oxygen cylinders secured, "
        "wheel chocks, spare aerator. A tired driver does not drive.",
        "Do not combine salt in the haul water with a treatment against invasive mussels without advice: "
        "salt defeats some of them.",
    ),
    "release": (
        "Temper the fish to the site's water; choose a quiet shore; watch for birds; hold back when oxygen is "
        "below the agreed limit. Count the dead and scan their tags.",
        "Scan every tag at release; the tag list and the fish must not part.",
    ),
    "water_order": (
        "Move fish and water only from lower to equal or higher risk. Drain on land; no plants.",
    ),
    "larvae": (
        "Larvae: short sets, cool shaded water, no crowding, change water slowly. A dead larva counts as taken. "
        "Larvae of other species look alike: write down every doubt.",
    ),
    "night": (
        "Night work: at least two people, working lights, somebody ashore who knows when you are due back.",
    ),
    "nets": (
        "Nets: look at each set as often as your permit and protocol say, more often in warm water; free birds, "
        "turtles and other species at once; no nets across fish that are spawning.",
    ),
    "electrofishing": (
        "Electrofishing: only by permit, trained crew with a named leader, nobody alone, no bystanders, breaks; the "
        "checklist before each start, gloves, boots and stop switch; never over spawning fish. Settings and stop rules "
        "are those of the permit and of the manual of the device; this sheet gives none.",
    ),
    "handling": (
        "Wet hands, fish out of water as short as can be, fresh water in the tub; let each fish recover before it "
        "goes; when fish do not recover, stop and phone.",
    ),
    "dna": (
        "Fin clips: one fish, one vial; wipe the scissors after each fish; ethanol burns: lids on, no flame.",
    ),
    "drawdown": (
        "Deep mud and steep banks: nobody alone, a rope at hand. Watch oxygen and temperature as the water falls; tubs, "
        "aerators and a place for the fish ready before the pump starts.",
    ),
    "boats": ("Boats: life jackets on, two people, radio, float plan, mind wind and cold water.",),
    "heat": ("No handling above the temperature your programme agreed; shade; short holding.",),
    "scan": ("Check every fish with the scanner, never by its place in the tank.",),
    "eggs": (
        "Eggs: clean hands and a clean tool for each cell; shade, no knocks, water of the same temperature. A dish, "
        "tray or jar that lost its label belongs to no family: keep it apart and write it down.",
    ),
    "cull": (
        "Taking fish out: only by the method that your permit and veterinarian allow, by trained people; make sure that "
        "each fish is dead; keep the record of carcasses. A second person counts and signs.",
        "Take fish out by chance, never the small, the slow or the odd ones: choosing by looks changes the stock.",
    ),
    "privacy": ("Do not publish exact sites or spawning places.",),
    "decision": ("A model result, not an order: read the assumptions and the range.",),
}


def cautions_for(activities: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions of some activities, in the order given, with the closing line last.

    Raises
    ------
    KeyError
        If an activity has no cautions registered.
    """
    out: list[str] = []
    for activity in activities:
        out.extend(CAUTIONS[activity])
    return (*out, CLOSING)
