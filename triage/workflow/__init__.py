"""One function for each thing a keeper does; the only place where photos, genetics and records meet."""
