"""The virtual bench: SCPI devices and the oscillator they are wired to."""
