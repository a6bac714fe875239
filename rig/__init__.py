"""The test rig for voltage-controlled oscillators."""
