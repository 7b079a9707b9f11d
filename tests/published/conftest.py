"""Values written as printed, with half a unit of their last digit as tolerance."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest


@pytest.fixture
def half_last_digit() -> Callable[..., object]:
    """Return a function: the printed text (and the last digits left open) -> approximate value.

    ``half_last_digit("0.071")`` equals anything that rounds to 0.071. ``digits`` widens the
    tolerance to that many units of the last digit, where the source prints rounded inputs.
    """

    def printed(text: str, digits: float = 0.5) -> object:
        number = Decimal(text.replace(" ", "").replace("−", "-"))
        exponent = number.as_tuple().exponent
        assert isinstance(exponent, int)
        tolerance = digits * 10.0**exponent * (1 + 1e-9)
        return pytest.approx(float(number), rel=0, abs=tolerance)

    return printed
