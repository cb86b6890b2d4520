"""Trays, labels and proving plans: pure functions of a posterior."""
