"""Slips, plots and other things a person reads."""
