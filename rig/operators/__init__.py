"""Whoever does the turning."""
