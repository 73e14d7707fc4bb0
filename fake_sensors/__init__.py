"""A computer that does not exist, whose truth is known."""
