"""A history of invented visits: units drawn from the demonstration's population, measured by its physics, judged by
the rig's own science, and recorded like any others. Every visit of it is marked as a demonstration."""
