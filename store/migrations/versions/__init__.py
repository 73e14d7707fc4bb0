"""One module for each schema step."""
