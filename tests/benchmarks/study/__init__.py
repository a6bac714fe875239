"""Manual chasing against the rig, on the same drawn units, the same instruments and the same imperfect hands."""
