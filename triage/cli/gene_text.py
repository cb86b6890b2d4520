"""The genes of a species, and one of them explained, as text."""

from __future__ import annotations

from collections.abc import Sequence
from functools import singledispatch

from rich import box
from rich.console import Console
from rich.table import Table

from triage.cli.layout import Text, heading, item, paragraph
from triage.records import Species
from triage.species.explain import (
    LOOKS_WILD,
    NOT_RECORDED,
    OWN,
    AppearanceExplanation,
    CautionText,
    CheckedFact,
    CitedFact,
    CombinationExplanation,
    CombinationName,
    CompoundExplanation,
    Explanation,
    GeneExplanation,
    GeneSummary,
    LookalikeText,
    fact_in_words,
)

_LEAD = 14


def print_gene_list(
    species: Species, genes: Sequence[GeneSummary], names: Sequence[CombinationName], console: Console
) -> None:
    """Every gene on a line of its own, series together, then the trade's combination names."""
    paragraph(console, Text(f"{species.name.capitalize()} ({species.scientific_name}): {len(genes)} genes", style="bold"))
    table = Table(box=box.HORIZONTALS, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("Gene", min_width=16)
    table.add_column("Inheritance")
    table.add_column("Two copies")
    if console.width >= 110:
        table.add_column("Look for", ratio=1)
    for gene in genes:
        inheritance = gene.mode + (", sex-linked" if gene.sex_linked else "")
        two_copies = "visual" if gene.mode == "recessive" else gene.two_copies
        how = Text(inheritance + (f", {OWN}" if gene.own else ""))
        if gene.series:
            how.append(f"\n{gene.locus}", style="dim")
        row = [Text(gene.name + (" (!)" if gene.has_cautions else "")), how, Text(two_copies)]
        table.add_row(*row, *([Text(gene.look_for)] if console.width >= 110 else []))
    console.print(table)
    paragraph(console, "(!) has cautions: read them with 'triage genes NAME'.")
    if names:
        heading(console, "Trade names of combinations")
        for one in names:
            item(console, one.name, one.genes, lead_width=22)


def print_second_reading(species: Species, facts: Sequence[CheckedFact], console: Console) -> None:
    """What was checked by a second reader, a fact a line."""
    title = f"{species.name.capitalize()}: {len(facts)} facts checked by a second reader"
    paragraph(console, Text(title if facts else f"{species.name.capitalize()}: no fact was read a second time", style="bold"))
    for fact in facts:
        words = f"{fact.supports.replace('_', ' ')}: {fact.says}" + (f". {fact.note}" if fact.note else "")
        item(console, f"{fact.of}  ", words, lead_width=22)


@singledispatch
def print_explanation(found: Explanation, console: Console) -> None:
    """All that the catalogue knows of one name."""
    raise TypeError(f"no text for {type(found).__name__}")


@print_explanation.register
def _(found: GeneExplanation, console: Console) -> None:
    kind = f"{found.species}, {found.mode}" + (", subtle" if found.subtle else "") + (f", {OWN}" if found.own else "")
    _title(console, found.name, kind, found.synonyms)
    _wrapped(console, "inherited", found.inheritance)
    item(console, "one copy", _look(found.one_copy, "" if found.one_copy == LOOKS_WILD else found.look_for), lead_width=_LEAD)
    two = found.two_copies
    if found.two_copies_synonyms:
        two += f" ({', '.join(found.two_copies_synonyms)})"
    item(console, "two copies", _look(two, found.two_copies_look_for), lead_width=_LEAD)
    for words in found.says:
        item(console, "hides", words, lead_width=_LEAD)
    if found.series:
        item(console, "series", f"{found.locus}: with {', '.join(found.series)}", lead_width=_LEAD)
    for compound in found.compounds:
        text = compound.look_for if compound.look_for != NOT_RECORDED else "look not recorded"
        if compound.looks_like:
            text += f" Seen as {compound.looks_like}."
        item(console, "with another", f"{compound.name}: {text}", lead_width=_LEAD)
    _lookalikes(console, found.lookalikes)
    _wrapped(console, "trade names", [f"{c.name} = {c.genes}" for c in found.combinations])
    _wrapped(console, "notes", found.notes)
    _cautions(console, found.cautions)
    _facts(console, found.facts)


@print_explanation.register
def _(found: CompoundExplanation, console: Console) -> None:
    _title(console, found.name, f"{found.species}, one copy each of {' and '.join(found.alleles)}", found.synonyms)
    item(console, "look for", found.look_for, lead_width=_LEAD)
    if found.looks_like:
        item(console, "seen as", found.looks_like, lead_width=_LEAD)
    if found.hatches:
        item(console, "hatching", found.hatches, lead_width=_LEAD)
    _lookalikes(console, found.lookalikes)
    _cautions(console, found.cautions)
    _facts(console, found.facts)


@print_explanation.register
def _(found: AppearanceExplanation, console: Console) -> None:
    _title(console, found.name, f"{found.species}, looks that the eye cannot tell apart", found.synonyms)
    item(console, "any of", ", ".join(found.looks), lead_width=_LEAD)
    for words in found.says:
        item(console, "hides", words, lead_width=_LEAD)
    _lookalikes(console, found.lookalikes)
    _cautions(console, found.cautions)
    _facts(console, found.facts)


@print_explanation.register
def _(found: CombinationExplanation, console: Console) -> None:
    kind = found.species if found.name == found.genes else f"{found.species}, {found.genes}"
    _title(console, found.name, kind, found.other_names)
    for part in found.parts:
        item(console, part.name, f"{part.mode}. {part.look_for}", lead_width=_LEAD)
    _lookalikes(console, found.lookalikes)
    _cautions(console, found.cautions)
    _facts(console, found.facts)


def _title(console: Console, name: str, kind: str, other_names: Sequence[str]) -> None:
    paragraph(console, Text(name, style="bold").append(f"  {kind}", style="not bold dim"))
    if other_names:
        item(console, "also called", ", ".join(other_names), lead_width=_LEAD)


def _look(name: str, look_for: str) -> str:
    return name if not look_for or look_for == NOT_RECORDED else f"{name}. {look_for}"


def _wrapped(console: Console, lead: str, lines: Sequence[str]) -> None:
    for i, line in enumerate(lines):
        item(console, lead if i == 0 else "", line, lead_width=_LEAD)


def _lookalikes(console: Console, pairs: Sequence[LookalikeText]) -> None:
    lines = [f"{p.first} or {p.second}: {p.look_for} ({p.settled_by})" for p in pairs]
    _wrapped(console, "look-alikes", lines)


def _cautions(console: Console, cautions: Sequence[CautionText]) -> None:
    if cautions:
        heading(console, "Cautions")
        for caution in cautions:
            item(console, "- ", f"{caution.text} [{caution.citation}]")


def _facts(console: Console, facts: Sequence[CitedFact]) -> None:
    if facts:
        heading(console, "Who says so")
        for fact in facts:
            item(console, "- ", fact_in_words(fact))
