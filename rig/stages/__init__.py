"""One file a stage of a visit."""
