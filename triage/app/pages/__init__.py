"""A folder for each page of the app; page.py in it is what Streamlit runs."""
