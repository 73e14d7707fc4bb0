"""Schema steps, forward only."""
