"""What the catalogue knows."""
