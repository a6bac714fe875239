"""Streams of random numbers: one for each purpose, so that no reading disturbs another instrument's."""

from __future__ import annotations

from zlib import crc32

import numpy as np


def stream(seed: int, *purpose: str) -> np.random.Generator:
    """Generator of its own for a seed and a purpose, the same on every machine."""
    return np.random.default_rng([seed, *(crc32(word.encode()) for word in purpose)])


def bounded_normal(generator: np.random.Generator, centre: float, standard_deviation: float, widest: float) -> float:
    """One normal draw, repeated until it lies within ``widest`` standard deviations."""
    while True:
        deviation = float(generator.standard_normal())
        if abs(deviation) <= widest:
            return centre + standard_deviation * deviation
