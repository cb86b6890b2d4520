"""One clutch, exactly: its model, the sums, and what follows from them."""
