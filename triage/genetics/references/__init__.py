"""The same answers by listing every possibility, for tests: no code shared with what they check."""
