"""Pure functions on numbers and arrays; no input or output."""
