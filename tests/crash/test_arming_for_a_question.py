"""Why a few shots of the campaign differ in codes from those of the unbroken run with its seed.

One driver arms an acquisition only to ask how long its record would be, and stops it at once. A
source event that falls between the two is used up, as on a real bench, and all later records show
the event after the one that they would have shown.
"""

import pytest

from simulated_instruments.acquisition import Acquisition
from simulated_instruments.circuit import Circuit
from simulated_instruments.models import MODELS


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


@pytest.mark.parametrize(("pause", "used_up"), [(0.2e-3, 0), (5e-3, 1)])
def test_an_arming_that_is_stopped_uses_up_an_event_if_there_is_time_for_one(pause, used_up):
    clock = Clock()
    circuit = Circuit(seed=20260311)
    circuit.set_condition("bare")
    scope = Acquisition(MODELS["keysight_infiniivision"], circuit, clock=clock)
    scope.set_trigger(source=2, level=0.0, auto=False)
    scope.set_channel(2, enabled=True, range=40.0)

    scope.arm()
    clock.now += pause
    scope.stop()

    assert circuit.next_event().event == 1 + used_up
