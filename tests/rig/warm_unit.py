"""A warm unit on the virtual bench, for tests of what the rig sees."""

from __future__ import annotations

from math import log2

import numpy as np

from rig.acquire import Acquisition
from rig.sight import KnobSight, Known, OctaveSight
from tests.straight import straight_curve


class WarmUnit:
    """A warm unit on the virtual bench, its hands, and pitches as the rig would have measured them before."""

    def __init__(self, it):
        self.it = it
        self.hands = it.bench.hands
        self.clock = it.bench.clock
        self.controls = it.product.contents.controls
        self.acquisition = Acquisition(it.bench, it.product.contents, straight_curve(0.0, 1.0, np.zeros((2, 2))))
        self.hands.insert(it.serial)
        self.hands.power(True)
        it.bench.source.output_on()
        self.clock.sleep(1800.0)

    def pitch(self, cv_v):
        return log2(self.acquisition.measure(cv_v, 100.0, 0.5)[1].frequency_hz)

    def switch(self, wanted, stood="0", known_octaves=None):
        switch = self.controls.octave
        self.hands.set_control("octave", stood)
        known = Known(stood, known_octaves or self.pitch(switch.read_at_cv_v))
        return OctaveSight(
            self.acquisition, wanted, switch.positions, switch.octaves, switch.read_at_cv_v, known, stood
        )

    def knob(self, wanted, **options):
        """A knob sight that knows the low stop; the knob is left there."""
        knob = self.controls.knob
        self.hands.set_control("knob", "low")
        low_octaves = options.pop("low_octaves", None) or self.pitch(knob.read_at_cv_v)
        return KnobSight(self.acquisition, wanted, knob.read_at_cv_v, low_octaves, knob.range_octaves, **options)

    def put(self, travel):
        """Leave the knob anywhere between its stops."""
        self.it.bench.provider.wiring.unit.set_knob(travel)

    def turn(self, sight, start, end, looks=12):
        """Turn the knob while the rig looks; what it said on the way."""
        said = []
        for travel in np.linspace(start, end, looks):
            self.put(float(travel))
            said.append(sight.look().said)
        return said
