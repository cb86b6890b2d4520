"""Suspicions."""
