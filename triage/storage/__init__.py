"""What the keeper's own records are kept in: files in the user's data folder."""
