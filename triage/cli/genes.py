"""``triage genes``: the genes of a species, or all that is known of one."""

from __future__ import annotations

import click

from triage.cli.command import as_json, command, species_option
from triage.cli.output import print_answer, print_json, remark
from triage.errors import CatalogueError

EXAMPLES = """\
  triage genes
  triage genes clown
  triage genes "pastel fire"
  triage genes snow --species "corn snake"
  triage genes --second-reading
"""


@command("genes", EXAMPLES)
@click.argument("name", nargs=-1, help="a gene, a series member, or several in trade shorthand")
@click.option("--second-reading", is_flag=True, help="what was checked by a second reader, of the whole species")
@species_option
@as_json
def genes(name: tuple[str, ...], second_reading: bool, species: str, as_json: bool) -> None:
    """List the genes of a species, or explain one gene or combination."""
    from triage.cli.gene_text import print_explanation, print_gene_list, print_second_reading
    from triage.species import explain, load_species
    from triage.workflow.book import keepers_species

    if name and second_reading:
        raise click.UsageError(f"--second-reading beside '{' '.join(name)}': it lists the whole species; needed: one of the two")
    try:
        kept = keepers_species(species)
    except CatalogueError as error:  # the catalogue by itself is there whatever stands in the records
        remark(str(error))
        kept = load_species(species)
    if second_reading:
        checked = explain.second_reading(kept)
        data = {"facts": [explain.as_data(fact) for fact in checked]}
    elif name:
        found = explain.explain(kept, " ".join(name))
        data = explain.as_data(found)
    else:
        listed, names = explain.list_genes(kept), explain.list_combinations(kept)
        data = {"genes": [explain.as_data(g) for g in listed], "combinations": [explain.as_data(n) for n in names]}
    if as_json:
        print_json({"format": 1, "species": kept.name, **data})
    elif second_reading:
        print_answer(lambda console: print_second_reading(kept, checked, console))
    elif name:
        print_answer(lambda console: print_explanation(found, console))
    else:
        print_answer(lambda console: print_gene_list(kept, listed, names, console))
