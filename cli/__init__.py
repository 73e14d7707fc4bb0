"""Arguments, settings and wiring."""
