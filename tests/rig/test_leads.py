"""The meter's lead is believed by what it reads, never by what somebody says."""

import pytest

from rig.acquire import Acquisition
from rig.errors import BenchProblem
from rig.operators.port import MeterPlace
from rig.stages.leads import meter_to_rail
from tests.straight import straight_curve


class Absent:
    """An operator who says yes and moves the lead only at the n-th time of asking."""

    def __init__(self, hands, moves_at):
        self.hands = hands
        self.moves_at = moves_at
        self.asked = 0
        self.told = []

    def connect_meter(self, place):
        self.asked += 1
        if self.asked >= self.moves_at:
            self.hands.connect_meter({MeterPlace.RAIL: "rail", MeterPlace.CV_JACK: "source"}[place])

    def tell(self, message):
        self.told.append(message)

    def progress(self, *_):
        pass


def prepared(it):
    hands = it.bench.hands
    hands.insert(it.serial)
    hands.power(True)
    it.bench.source.output_on()
    return hands, Acquisition(it.bench, it.product.contents, straight_curve(0.0, 1.0, [[0.0, 0.0], [0.0, 0.0]]))


def test_a_lead_left_on_the_cv_is_noticed_and_asked_for_again(stand):
    with stand() as it:
        hands, acquisition = prepared(it)
        hands.connect_meter("source")
        operator = Absent(hands, moves_at=2)
        meter_to_rail(acquisition, operator)
        assert operator.asked == 2
        assert "still on the CV" in operator.told[0]
        assert it.bench.meter.read_voltage() == pytest.approx(10.0, abs=0.3)


def test_a_lead_that_never_moves_ends_as_a_fault_of_the_bench(stand):
    with stand() as it:
        hands, acquisition = prepared(it)
        hands.connect_meter("source")
        with pytest.raises(BenchProblem, match="follows the CV"):
            meter_to_rail(acquisition, Absent(hands, moves_at=99))
