"""What questions answer: the objects of the command line's ``--json``, field by field; a `Row` is a line of a table."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from planner.web.api.shapes import EstimateShown, FindingShown, Provenance, Row, Shape, Solved

Estimates = dict[str, EstimateShown]


class Kin(Shape):
    """A fish among the living."""

    mean: float | None
    inbreeding: float | None
    nearest: dict[str, float]
    number: int


class Use(Shape):
    """What a fish may be used for now, and why not."""

    use: str
    may: bool
    why: list[str]


class CardAnswer(Shape):
    """All that is known of a fish."""

    fish: Row
    on: str
    dam: str | None
    sire: str | None
    kin: Kin | None = None
    identifiers: list[Row]
    places: list[str]
    samples: list[Row]
    measurements: list[Row]
    crosses: list[Row]
    offspring: list[str]
    families: list[str]
    captures: list[Row]
    releases: list[Row]
    holds: list[Row]
    treatments: list[Row]
    uses: list[Use]


class CheckAnswer(Shape):
    """Every fault and doubt of the records."""

    folder: str
    rows: dict[str, int]
    genotypes: dict[str, str]
    findings: list[FindingShown]
    stops_import: bool
    has_doubts: bool
    fingerprint: str


class FishKinship(Shape):
    """A living fish: its inbreeding and its mean kinship to all."""

    fish_id: str
    sex: str
    origin: str
    year_class: int | None
    dam: str | None
    sire: str | None
    inbreeding: float | None
    mean_kinship: float | None


class KinshipAnswer(Shape):
    """Mean kinship of the living fish."""

    fish: int
    mean_kinship: float | None
    gene_diversity: float | None
    self_pairs: str
    method: str
    by_fish: list[FishKinship]


class GroupDiversity(Shape):
    """Diversity of one group; ``g`` is the number of gene copies richness is brought to."""

    group: str
    fish: int
    loci: int
    g: int | None
    observed_heterozygosity: EstimateShown
    expected_heterozygosity: EstimateShown
    allelic_richness: EstimateShown
    private_allelic_richness: EstimateShown
    inbreeding_coefficient: EstimateShown


class DiversityAnswer(Shape):
    """Diversity by group."""

    call_set: str
    by: str | None
    left_out: dict[str, int]
    groups: list[GroupDiversity]


class GroupSize(Shape):
    """Effective size of one group by every method, never averaged."""

    group: str
    samples: str
    methods: list[EstimateShown]
    not_run: list[str]


class SizeAnswer(Shape):
    """Effective size by group."""

    groups: list[GroupSize]
    sampling_design: list[Row]
    passed_over: list[Row]


class FounderLine(Shape):
    """What is left of one founder; copies by place have a field each."""

    founder: str
    share: float | None
    copies: float | None
    descendants: int
    largest_place: str | None
    risk: float | None
    retention: float | None


class FoundersAnswer(Shape):
    """The founder lines."""

    numbers: Estimates
    lines: list[FounderLine]
    if_a_place_is_lost: list[dict[str, str]]


class LeftOut(Shape):
    """What a check leaves out and why."""

    kind: str
    name: str
    reason: str


class ToLookAt(Shape):
    """What a person must look at."""

    code: str
    names: list[str]
    sentence: str


class QualityAnswer(Shape):
    """Quality of the calls."""

    call_set: str
    samples_read: int
    loci_read: int
    samples_kept: int
    loci_kept: int
    call_error: EstimateShown
    left_out: list[LeftOut]
    to_look_at: list[ToLookAt]


class ParentVerdict(Shape):
    """What DNA says of one recorded parent."""

    offspring: str
    role: str
    recorded: str | None
    result: str
    better: str | None
    reason: str


class ParentsAnswer(Shape):
    """Parents by DNA against the record."""

    tested: int
    candidates: int
    loci: int
    expected_wrong_among_certain: float | None
    recorded_parents: dict[str, int]
    exchanged_dishes: list[Any]
    untagged_captures_of_ours: list[Any]
    parents_without_genotype: list[str]
    parents_poorly_typed: list[str]
    verdicts: list[ParentVerdict]
    offspring: list[Row]


class AuditAnswer(Shape):
    """The audit of a year class; parts that could not be made say why under `not_made`."""

    year_class: int
    facts: dict[str, str]
    in_plain_words: list[str]
    to_do: list[str]
    alarms: dict[str, list[str]]
    not_made: dict[str, list[str]]
    quality: Row = Field(default_factory=dict)
    diversity: Row = Field(default_factory=dict)
    trend: Row = Field(default_factory=dict)
    haplotypes: Row = Field(default_factory=dict)
    structure: Row = Field(default_factory=dict)
    sizes: Row = Field(default_factory=dict)
    losses: Row = Field(default_factory=dict)
    parents: Row = Field(default_factory=dict)
    wild_parents: Row = Field(default_factory=dict)
    sites: Any = None
    kinship: Any = None
    founders: Any = None
    methods: Any = None
    provenance: Provenance | None = None


class PermitEvent(Shape):
    """One event that a permit counts."""

    on: str
    number: int
    what: str
    record: str
    once: str
    stage: str | None
    permit: str


class PermitTally(Shape):
    """What a permit allows and what is used."""

    permit: str
    activity: str
    stage: str | None
    valid_from: str
    valid_until: str
    limit: int | None
    counted: int
    entered: int | None
    planned: int
    used: int
    left: int | None
    left_after_plan: int | None
    state: str
    phone: str | None
    stop_and_phone: str
    events: list[PermitEvent]


class PermitsAnswer(Shape):
    """Every permit."""

    permits: list[PermitTally]


class MoveReason(Shape):
    """One rule, what it says of the move, and what would change it."""

    rule: str
    says: str
    fact: str
    change: str
    fish: list[str]


class MoveAnswer(Shape):
    """May they go there, and why or why not."""

    what: str
    where: str
    on: str
    may: bool
    fish: int
    reasons: list[MoveReason]
    may_go: list[str]


class FamilyShare(Shape):
    """A family in a place."""

    family: str
    share: EstimateShown
    number: EstimateShown
    absent: float = Field(description="Chance that none of it is there.")


class LotsAnswer(Shape):
    """Families of a place, and whether the fish add up."""

    what: str
    on: str
    total: EstimateShown | None = None
    effective_families: EstimateShown | None = None
    families: list[FamilyShare] = Field(default_factory=list)
    pools: list[Row]
    balances: list[Row]
    history: list[str]
    surprises: list[str]
    assumed: str


class LossAnswer(Shape):
    """What would be gone."""

    lost: str
    fish: float | None
    families_gone: list[str]
    lines_gone: list[str]
    gene_diversity_now: Row | None
    gene_diversity_left: float | None
    founder_genomes_lost: EstimateShown | None
    families: list[Row]
    lines: list[Row]
    ranking: list[Row]
    notes: list[str]


class TagsAnswer(Shape):
    """Stock of tags."""

    boxes: list[Row]
    in_two_boxes: list[Any]
    used_scrapped: list[Any]
    never_bought: list[Any]
    two_tags: dict[str, Any]
    shared: dict[str, Any]
    retagged: int
    loss_of_one_tag: EstimateShown


class TagCandidate(Shape):
    """A fish that may carry the tag."""

    fish: str
    probability: float | None
    how: str
    tag_on_record: str | None
    by_tag_never_entered: float | None
    evidence_log10: dict[str, float]


class WhoseTagAnswer(Shape):
    """Fish that may carry the tag, and the chance that it is none of them."""

    read: str
    on: str
    explained: bool
    candidates: list[TagCandidate]
    not_listed: float | None
    none_of_these: dict[str, float]
    known_holder: str | None
    notes: list[str]


class KeepAnswer(Shape):
    """Fish to keep."""

    report: Solved
    mean_kinship: float | None
    mean_kinship_with_living: float | None
    gene_diversity: float | None
    founder_lines_kept: int
    founder_lines: int
    families: list[Row]
    fish: list[str]
    without_optimisation: list[Row]
    notes: list[str]
    provenance: Provenance


class FoundAnswer(Shape):
    """The founder group of a water."""

    report: Solved
    mean_kinship: float | None
    mean_kinship_with_residents: float | None
    residents_of_known_family: int
    measures: Estimates
    groups: list[Row]
    fish: list[str]
    without_optimisation: list[Row]
    notes: list[str]
    provenance: Provenance


class GrowAnswer(Shape):
    """Release now or grow on, by size class."""

    seasons: dict[str, str]
    rearing: dict[str, float]
    rows: list[Row]
    notes: list[str]


class ExchangeAnswer(Shape):
    """Moves between waters."""

    journeys: Solved
    kinship: Solved | None
    moves: list[Row]
    waters: list[Row]
    last_received: list[Row]
    notes: list[str]
    provenance: Provenance


class ProjectAnswer(Shape):
    """Strategies over the years."""

    years: int
    replicates: int
    strategies: dict[str, str]
    last_year: dict[str, Row]
    chances: list[Row]
    effective_sizes: dict[str, Estimates]
    supplementation: list[str]
    measures: dict[str, str]
    parameters: list[dict[str, str]]
    assumptions: list[str]
    provenance: Provenance


class TradeoffAnswer(Shape):
    """A row of release plans; none is recommended."""

    points: list[Row]
    alternatives: list[Row]
    alternatives_words: str
    tolerance: float | None
    recommended: None
    notes: list[str]
    provenance: Provenance


class LoadAnswer(Shape):
    """Trips of the trucks."""

    status: str
    release_mark: str
    trips: list[Row]
    km: float | None
    fewest_trips: int
    shortest_km: float | None
    release_version: int
    notes: list[str]
    provenance: Provenance
