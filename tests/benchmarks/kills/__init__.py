"""Figure: a program killed at random moments of visits, on a virtual bench that is a process of its own."""
