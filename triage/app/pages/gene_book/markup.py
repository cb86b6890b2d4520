"""The gene book as HTML: plain functions of what the catalogue explains. Every text in it is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from triage.app.literal import escape
from triage.species.explain import (
    LOOKS_WILD,
    NOT_RECORDED,
    OWN,
    CheckedFact,
    CombinationName,
    Explanation,
    GeneSummary,
    fact_in_words,
)


def gene_list_html(genes: Sequence[GeneSummary], combinations: Sequence[CombinationName]) -> str:
    """Every gene with how it is inherited and what to look for, then the trade's combination names."""
    rows = "".join(
        f"<li><b>{escape(g.name)}</b> <span class='tr-small'>{escape(_kind(g))}</span><br>{escape(g.look_for)}</li>"
        for g in genes
    )
    names = "".join(f"<li><b>{escape(c.name)}</b> = {escape(c.genes)}</li>" for c in combinations)
    title = f"<h3>Trade names of combinations</h3><ul class='tr-list'>{names}</ul>" if names else ""
    return f'<div class="tr"><ul class="tr-list">{rows}</ul>{title}</div>'


def explanation_html(found: Explanation) -> str:
    """All that is known of one name, whatever kind of thing it names."""
    parts = [f"<h3>{escape(found.name)}</h3>"]
    others = getattr(found, "synonyms", ()) or getattr(found, "other_names", ())
    if others:
        parts.append(_line("Also called", ", ".join(others)))
    for title, text in _facts_of(found):
        if text and text != NOT_RECORDED:
            parts.append(_line(title, text))
    parts += [
        _section("Look-alikes", (f"{p.first} or {p.second}: {p.look_for} ({p.settled_by})" for p in found.lookalikes)),
        _section("Cautions", (f"{c.text} [{c.citation}]" for c in found.cautions)),
        _section("Who says so", map(fact_in_words, found.facts)),
    ]
    return f'<div class="tr">{"".join(parts)}</div>'


def second_reading_html(facts: Sequence[CheckedFact]) -> str:
    """What was checked by a second reader, folded away; empty where nothing was."""
    if not facts:
        return ""
    rows = "".join(
        f"<li><b>{escape(f.of)}</b> {escape(f.supports.replace('_', ' '))}: {escape(f.says)}"
        f"{f'<br>{escape(f.note)}' if f.note else ''}</li>"
        for f in facts
    )
    title = f"<summary>What was checked by a second reader ({len(facts)} facts)</summary>"
    return f'<div class="tr"><details class="tr-out">{title}<ul class="tr-list">{rows}</ul></details></div>'


def _facts_of(found: Explanation) -> list[tuple[str, str]]:
    if found.kind == "gene":
        two = ", ".join((found.two_copies, *found.two_copies_synonyms))
        return [
            ("A gene", OWN if found.own else ""),
            ("Inherited", " ".join(found.inheritance)),
            ("One copy", _look(found.one_copy, "" if found.one_copy == LOOKS_WILD else found.look_for)),
            ("Two copies", _look(two, found.two_copies_look_for)),
            ("Hides", "; ".join(found.says)),
            ("Series", f"{found.locus}: with {', '.join(found.series)}" if found.series else ""),
            *((f"With another allele: {c.name}", _look("", c.look_for)) for c in found.compounds),
            ("Trade names", "; ".join(f"{c.name} = {c.genes}" for c in found.combinations)),
            ("Notes", " ".join(found.notes)),
        ]
    if found.kind == "compound":
        return [("Made of", " and ".join(found.alleles)), ("Look for", found.look_for), ("Seen as", found.looks_like)]
    if found.kind == "appearance":
        return [("Any of", ", ".join(found.looks)), ("Hides", "; ".join(found.says))]
    return [("Genes", found.genes), *((part.name, part.look_for) for part in found.parts)]


def _kind(gene: GeneSummary) -> str:
    parts = [gene.mode, "sex-linked" if gene.sex_linked else "", gene.locus if gene.series else "", OWN if gene.own else ""]
    return ", ".join(p for p in (*parts, "has cautions" if gene.has_cautions else "") if p)


def _look(name: str, look_for: str) -> str:
    known = "" if look_for == NOT_RECORDED else look_for
    return ". ".join(part for part in (name, known) if part)


def _line(title: str, text: str) -> str:
    return f"<p><b>{escape(title)}</b> {escape(text)}</p>"


def _section(title: str, lines: Iterable[str]) -> str:
    rows = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<h4>{escape(title)}</h4><ul class='tr-says'>{rows}</ul>" if rows else ""
