"""Plain tables hold finite numbers, texts or nothing."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.tables import table_of


def test_what_is_not_finite_is_nothing() -> None:
    table = table_of((("x [V]", np.array([1.0, np.nan, np.inf])), ("state", ["a", "b", None])))
    assert table.columns == ("x [V]", "state")
    assert table.rows == ((1.0, "a"), (None, "b"), (None, None))


def test_columns_must_be_equally_long() -> None:
    with pytest.raises(ValueError, match="shorter"):
        table_of((("a", [1.0, 2.0]), ("b", [1.0])))
