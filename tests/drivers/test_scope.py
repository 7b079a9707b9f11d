"""Whether two answers to ``*IDN?`` mean one physical unit."""

from __future__ import annotations

import pytest

from drivers.scope import Identity

ONE = Identity("Maker", "Model", "123", "1.0", "")


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (Identity("MAKER", "model", "123", "2.0", "x"), True),
        (Identity("Maker", "Model", "124", "1.0", ""), False),
        (Identity("Maker", "Model2", "123", "1.0", ""), False),
        (Identity("Other", "Model", "123", "1.0", ""), False),
    ],
)
def test_same_unit(other, same):
    assert ONE.same_unit(other) is same
