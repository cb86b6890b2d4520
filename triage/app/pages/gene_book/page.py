"""What the catalogue knows of the genes of a species, and genes of the keeper's own."""

import streamlit as st

from triage.app.notices import errors_shown
from triage.app.pages.gene_book.markup import explanation_html, gene_list_html, second_reading_html
from triage.app.pages.gene_book.own import show_own_genes
from triage.app.pages.gene_book.pictures import show_pictures
from triage.app.shared import species_shown
from triage.species import species_names, usual_species
from triage.species.explain import explain, list_combinations, list_genes, second_reading

st.title("Genes")
names = species_names()
with st.container(horizontal=True):
    chosen = st.selectbox("Species", names, index=names.index(usual_species()), key="book_species", width=220)
    wanted = st.text_input(
        "A gene, a trade name, or several genes", key="book_name", placeholder="clown, firefly, lesser mojave", live="400ms"
    )
species = species_shown(chosen)
show_own_genes(species)
if wanted.strip():
    with errors_shown():
        found = explain(species, wanted)
        show_pictures(chosen, found)
        st.html(explanation_html(found))
else:
    st.html(gene_list_html(list_genes(species), list_combinations(species)) + second_reading_html(second_reading(species)))
