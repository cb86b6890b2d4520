"""``triage genes``: the genes of a species, or all that is known of one."""

from __future__ import annotations

import argparse

from triage.cli.output import print_answer, print_json

NAME = "genes"
HELP = "list the genes of a species, or explain one gene or combination"
EXAMPLES = """\
examples:
  triage genes
  triage genes clown
  triage genes "pastel fire"
  triage genes snow --species "corn snake"
"""
FORMAT = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", nargs="*", help="a gene, a series member, or several in trade shorthand")
    parser.add_argument("--species", default="ball python", metavar="NAME", help="the species (ball python)")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(arguments: argparse.Namespace) -> int:
    from triage.species import load_species

    species = load_species(arguments.species)
    if arguments.name:
        _one(species, " ".join(arguments.name), as_json=arguments.json)
    else:
        _all(species, as_json=arguments.json)
    return 0


def _all(species, *, as_json: bool) -> None:
    from triage.cli.gene_text import print_gene_list
    from triage.species import explain

    genes, names = explain.list_genes(species), explain.list_combinations(species)
    if as_json:
        listed = {"genes": [explain.as_data(g) for g in genes], "combinations": [explain.as_data(n) for n in names]}
        print_json({"format": FORMAT, "species": species.name, **listed})
    else:
        print_answer(lambda console: print_gene_list(species, genes, names, console))


def _one(species, name: str, *, as_json: bool) -> None:
    from triage.cli.gene_text import print_explanation
    from triage.species import explain

    found = explain.explain(species, name)
    if as_json:
        print_json({"format": FORMAT, **explain.as_data(found)})
    else:
        print_answer(lambda console: print_explanation(found, console))
