"""Tables about samples, loci and the haplotypes read from them."""

from __future__ import annotations

from broodstock.fields.columns import Column as C
from broodstock.fields.columns import Table

GENETIC_TABLES = (
    Table(
        "samples",
        "One fin clip, larva or control in the laboratory.",
        (
            C("sample_id", "text", "Name of the sample; the name in the genotype files.", required=True),
            C("fish_id", "text", "The fish, if known as an individual.", refers="fish.fish_id"),
            C("stock_id", "text", "The fish of the release stock.", refers="stock.stock_id"),
            C(
                "group",
                "choice",
                "Why it was taken.",
                required=True,
                choices=(
                    "founder",
                    "brood",
                    "release",
                    "larva",
                    "backwater-young",
                    "capture",
                    "replicate",
                    "control",
                ),
            ),
            C("year_class", "integer", "Year class.", low=1950, high=2100),
            C("family", "text", "Family or larval group.", refers="families.family_id"),
            C("site_id", "text", "Site it came from.", refers="sites.site_id"),
            C("line", "choice", "Supply line.", choices=("wild", "wild-larvae", "hatchery", "backwater")),
            C("zone", "text", "Zone of collection."),
            C("collected_on", "date", "Day taken."),
            C("replicate_of", "text", "Sample it repeats.", refers="samples.sample_id"),
            C("plate", "text", "Plate."),
            C("well", "text", "Well, letter and number."),
            C("haplotype", "text", "Mitochondrial haplotype."),
            C("marker_set", "text", "Marker set it was typed with."),
        ),
        ("sample_id",),
    ),
    Table(
        "loci",
        "One locus of a marker set.",
        (
            C("locus", "text", "Name of the locus.", required=True),
            C("kind", "choice", "Kind of marker.", required=True, choices=("snp", "microsatellite")),
            C(
                "role",
                "choice",
                "What it is used for.",
                required=True,
                choices=("neutral", "diagnostic", "sex"),
            ),
            C("linkage_group", "text", "Chromosome or linkage group."),
            C("position", "integer", "Position on it.", low=0, high=10_000_000_000),
            C("foreign_allele", "text", "Allele of the other species at a diagnostic locus."),
            C("male_allele", "text", "Allele carried only by males at a sex-linked locus."),
            C("marker_set", "text", "Marker set it belongs to."),
            C("note", "text", "Anything else."),
        ),
        ("locus",),
    ),
)
