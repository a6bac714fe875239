"""Instruments in volts and hertz over SCPI."""
