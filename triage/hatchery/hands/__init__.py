"""The ways to draw a pattern."""
