"""Sort a clutch."""
