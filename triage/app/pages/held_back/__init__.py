"""Everybody who is held back."""
