"""Open photos, judge them, and read the looks in them as likelihoods over visual calls."""
