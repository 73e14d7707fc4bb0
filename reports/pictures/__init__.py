"""Pictures of a report: each answers one question, which is its title."""
