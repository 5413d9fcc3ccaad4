"""One module a revision, oldest first by its number."""
