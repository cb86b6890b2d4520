"""The collection."""
