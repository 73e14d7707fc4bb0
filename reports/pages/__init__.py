"""Pages for people, made of a report's document and its pictures."""
