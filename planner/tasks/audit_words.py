"""The audit in plain words: what changed, how sure, what to do; and the figures at its head."""

from __future__ import annotations

import math
from collections.abc import Sequence

from broodstock.effective_size.waterfall import Waterfall
from broodstock.estimates import Estimate
from planner.tasks.audit_part import AuditPart
from planner.tasks.audit_samples import AuditCalls, set_words
from planner.tasks.audit_trend import LineTrend
from planner.tasks.audit_waterfall import CHOICE, worst_step
from planner.tasks.audit_wild_parents import WildParents
from planner.tasks.parents import ParentsReport
from planner.tasks.size import SIBSHIP, SizeReport

LINKAGE = "linkage disequilibrium"
MOST_TO_DO = 14


def head_facts(
    year_class: int,
    calls: AuditCalls,
    sizes: SizeReport | None,
    parents: ParentsReport | None,
    losses: Waterfall,
) -> tuple[tuple[str, str], ...]:
    """Return label and value pairs for the head of the report."""
    group = f"year class {year_class}, hatchery"
    facts = [
        ("Year class audited", str(year_class)),
        ("Fish with a usable genotype", f"{calls.genotypes.n_samples} at {calls.genotypes.n_loci} loci"),
    ]
    for label, method in (("Nb by linkage, hatchery", LINKAGE), ("Nb by parents, hatchery", SIBSHIP)):
        found = sizes.find(group, method) if sizes is not None else None
        facts.append((label, found.text(1) if found is not None else "not made"))
    wild = sizes.find(f"year class {year_class}, wild-larvae", LINKAGE) if sizes is not None else None
    if wild is not None:
        facts.append(("Nb by linkage, wild larvae", wild.text(0)))
    if parents is not None:
        counts = parents.audit.counts()
        decided = counts.get("agrees", 0) + counts.get("contradicts", 0)
        facts.append(("Recorded parents that agree", f"{counts.get('agrees', 0)} of {decided}"))
    worst = worst_step(losses)
    if worst is not None and worst.ratio is not None:
        facts.append(("Largest loss of parents", f"{worst.name}: kept {float(worst.ratio):.0%}"))
    return tuple(facts)


def plain_words(
    year_class: int,
    trends: Sequence[LineTrend],
    sizes: SizeReport | None,
    parents: ParentsReport | None,
    losses: Waterfall,
    wild: WildParents,
) -> tuple[str, ...]:
    """Return paragraphs for readers who are no geneticists: what changed, how sure, what it means."""
    out = [_diversity_words(trends), _parents_words(year_class, sizes, losses)]
    if parents is not None:
        out.append(_record_words(parents))
    if wild.sentence:
        out.append(f"Wild larvae of year class {wild.year_class}: {wild.sentence}")
    return tuple(x for x in out if x)


def _diversity_words(trends: Sequence[LineTrend]) -> str:
    """Say whether diversity changed, line by line, with how much could have been missed."""
    sentences = []
    for t in trends:
        c = t.change
        if c is None or c.difference.value is None:
            continue
        e = c.difference
        sure = e.low is not None and e.high is not None and (e.low > 0 or e.high < 0)
        if sure:
            word = "fell" if (e.value or 0) < 0 else "rose"
            sentences.append(
                f"In the {_line(t.line)} ({set_words(t.call_set)}) diversity {word} from {c.before} to {c.after}: expected heterozygosity "
                f"changed by {e.text(4)}. Chance alone would hardly make such a difference."
            )
        else:
            missed = (
                ""
                if c.smallest_detectable is None
                else f"; a change of {c.smallest_detectable:.2g} or more would probably have been seen, a smaller one may have been missed"
            )
            sentences.append(
                f"In the {_line(t.line)} ({set_words(t.call_set)}) no change of diversity from {c.before} to {c.after} could be shown{missed}."
            )
    if not sentences:
        return "What changed in diversity cannot be said: no line has two year classes with enough fish at the same loci."
    return "What changed. " + " ".join(sentences)


def _line(line: str) -> str:
    return {
        "wild-larvae": "wild larvae",
        "hatchery": "hatchery young",
        "backwater": "young of the backwaters",
    }.get(line, f"line {line}")


def _parents_words(year_class: int, sizes: SizeReport | None, losses: Waterfall) -> str:
    group = f"year class {year_class}, hatchery"
    found = [
        (words, e)
        for words, method in (("by linkage", LINKAGE), ("by parents found with DNA", SIBSHIP))
        if sizes is not None and (e := sizes.find(group, method)) is not None and e.estimable
    ]
    sentences = []
    steps = {s.name: s for s in losses.steps}
    if CHOICE in steps:
        used = steps[CHOICE]
        sentences.append(
            f"{used.n_females} females and {used.n_males} males were crossed for year class {year_class}: had each given as "
            f"many young as the others, they would count as {float(used.both):.0f} parents."
        )
    finite = [(w, e) for w, e in found if e.value is not None and math.isfinite(e.value)]
    if finite:
        numbers = " and ".join(f"about {e.text(0)} equal parents {words}" for words, e in finite)
        sentences.append(f"The tagged young hold as much diversity as the young of {numbers}.")
    sentences += [
        f"The sample is too small to say how many parents the tagged young have {words}: it shows no sign of few, which is "
        "no proof of many."
        for words, e in found
        if (words, e) not in finite
    ]
    worst = worst_step(losses)
    if worst is not None and worst.ratio is not None and worst.ratio < 1:
        sentences.append(
            f"Most was lost at the step '{worst.name}', which kept {float(worst.ratio):.0%} of the parents of the step before: "
            "some parents have far more young than others there."
        )
    if found and all(e.low is not None and e.high is not None and math.isfinite(e.high) for _, e in found):
        sentences.append(
            "How sure: two methods that rest on different things agree."
            if len(found) == 2 and _overlap(found[0][1], found[1][1])
            else "How sure: the range in brackets holds the true number nineteen times in twenty if the method's "
            "assumptions hold."
        )
    elif found:
        sentences.append("How sure: at least one range has no upper end, so the number is uncertain.")
    return " ".join(sentences)


def _overlap(a: Estimate, b: Estimate) -> bool:
    return bool(
        a.low is not None
        and a.high is not None
        and b.low is not None
        and b.high is not None
        and a.low <= b.high
        and b.low <= a.high
    )


def _record_words(parents: ParentsReport) -> str:
    counts = parents.audit.counts()
    decided = counts.get("agrees", 0) + counts.get("contradicts", 0)
    if not decided:
        return "DNA could not decide about any recorded parent."
    words = f"DNA agrees with {counts.get('agrees', 0)} of {decided} recorded parents it could decide about."
    if parents.audit.swaps:
        words += f" In {len(parents.audit.swaps)} case(s) two dishes were exchanged in the records."
    if counts.get("found"):
        words += f" It names {counts['found']} parent(s) missing in the records."
    return words


def to_do(parts: Sequence[AuditPart]) -> tuple[str, ...]:
    """Return what to do, most urgent first; the rest is counted.

    The loss of parents comes first, then identity and species, then parents, founders and waters. The first point of
    every part is named before the further ones, so that many points of one part hide no other part.
    """
    order = ("losses", "quality", "parents", "founders", "sites")
    ranked = sorted(parts, key=lambda p: order.index(p.key) if p.key in order else len(order))
    lines = [p.alarms[0] for p in ranked if p.alarms] + [a for p in ranked for a in p.alarms[1:]]
    if not lines:
        return ("Nothing found that needs a decision now.",)
    if len(lines) > MOST_TO_DO:
        rest = len(lines) - MOST_TO_DO
        return (*lines[:MOST_TO_DO], f"{rest} more points stand in their sections and in audit.json.")
    return tuple(lines)
