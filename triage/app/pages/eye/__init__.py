"""The keeper's eye."""
