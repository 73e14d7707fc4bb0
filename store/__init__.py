"""The words (records, errors, units) and the database."""
