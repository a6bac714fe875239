"""Figure: every fault at every stage of a visit at several moments, and what became of it."""
