"""What sorting a clutch answers, and how it is worded."""
