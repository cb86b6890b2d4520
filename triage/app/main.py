"""The app's main script: the pages and what they share. Start it with ``triage app``."""

import streamlit as st

from triage.app.icon import page_icon
from triage.app.pages.sort_clutch import draft
from triage.app.style import style_html

st.set_page_config(page_title="Triage", page_icon=page_icon(), layout="wide")
st.html(style_html())
pages = [
    st.Page("pages/sort_clutch/page.py", title="Sort a clutch", url_path="sort", icon=":material/egg:", default=True),
    st.Page("pages/today/page.py", title="Today", url_path="today", icon=":material/today:"),
    st.Page("pages/held_back/page.py", title="Held back", url_path="held_back", icon=":material/inventory_2:"),
    st.Page("pages/collection/page.py", title="Collection", url_path="collection", icon=":material/pets:"),
    st.Page("pages/suspicions/page.py", title="Suspicions", url_path="suspicions", icon=":material/help_center:"),
    st.Page("pages/eye/page.py", title="Your eye", url_path="eye", icon=":material/visibility:"),
    st.Page("pages/gene_book/page.py", title="Genes", url_path="genes", icon=":material/menu_book:"),
]
page = st.navigation(pages, position="top")
if page is not pages[0]:
    # Streamlit forgets the fields of a page that is not shown; naming them keeps what was entered. Not where they are shown:
    # a field that is named is sent back as it was, over what was typed since.
    state = st.session_state
    state.update({key: state[key] for key in draft.form_keys(state) if key in state})
page.run()
