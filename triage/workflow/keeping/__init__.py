"""What a keeper does with the records of seasons, one function each."""
