"""Invented sweeps for the tests of the science."""

import numpy as np

from rig.science.tracking import predict

BOTTOM_OCTAVES = np.log2(32.7)
NOISE_OCTAVES = 0.05 / 1200
EIGHT_VOLTS = np.linspace(0.0, 8.0, 17)


def unit(scale_cents=0.0, leakage_hz=0.0, dead_time_s=0.0, bottom_octaves=BOTTOM_OCTAVES):
    return np.array([bottom_octaves, 1.0 + scale_cents / 1200, leakage_hz, dead_time_s])


def noisy(parameters, x=EIGHT_VOLTS, *, seed, noise=NOISE_OCTAVES):
    pitch = predict(parameters, x)
    return pitch + np.random.default_rng(seed).normal(0.0, noise, pitch.shape)
