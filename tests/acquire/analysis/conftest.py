"""Captures and shots built by hand, so that every expected number can be worked out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from acquire.analysis.inputs import Capture, Floats, Transducer
from acquire.analysis.shots import Shot

FLAT = Transducer("probe", "A", 1.0, (1e3, 1e9), 0.0)


@pytest.fixture
def make_capture() -> Callable[..., Capture]:
    """Return a function that digitises rows of values into a capture."""

    def make(values: Floats, role: str = "target", order: int = 1, **over: object) -> Capture:
        full_scale = float(over.pop("vertical_range", 4.0))  # type: ignore[arg-type]  # a float in all tests
        bits = int(over.pop("bits", 12))  # type: ignore[call-overload]  # an int in all tests
        gain = full_scale / 2**bits
        count = values.shape[0]
        given: dict[str, object] = {
            "shot": f"{order:02d}_{role}",
            "order": order,
            "role": role,
            "condition": {"reference": "bare", "floor": "shorted"}.get(role, "choke"),
            "quantity": "lead_current",
            "codes": np.rint(values / gain).astype(np.int16),
            "gain": np.full(count, gain),
            "offset": np.zeros(count),
            "start": np.zeros(count),
            "step": 1e-8,
            "trigger_time": order * 10.0 + np.arange(count),
            "bits": bits,
            "vertical_range": full_scale,
            "transducer": FLAT,
        }
        return Capture(**(given | over))  # type: ignore[arg-type]  # the fields above

    return make


@pytest.fixture
def make_shot(make_capture: Callable[..., Capture]) -> Callable[..., Shot]:
    """Return a function that makes a shot of given rows and record levels, without a converter."""

    def make(rows: Floats, levels: dict[str, Floats] | None = None, **over: object) -> Shot:
        capture = make_capture(np.zeros_like(rows), **over)
        return Shot(
            capture=capture,
            repeats=rows.shape[0],
            rows=rows,
            levels=levels if levels is not None else {},
            noise=0.1,
            lsb=float(capture.gain[0]),
            swing=capture.vertical_range * 0.8,
        )

    return make


@pytest.fixture
def ring() -> Floats:
    """A damped ring of 1000 samples, peak-to-peak near 1.6."""
    t = np.arange(1000.0)
    wave: Floats = np.exp(-t / 150) * np.sin(2 * np.pi * t / 40)
    return wave
