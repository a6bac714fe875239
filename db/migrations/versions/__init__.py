"""One file a revision, oldest first by name."""
