"""Schema, migrations and queries of the record: what was measured, moved, found and decided."""
