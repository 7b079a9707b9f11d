"""How much a level changes when the pickup does not repeat exactly between two shots.

Moved leads change the pickup by a complex factor near one: its size and its delay. The change of
the level is the part of that which lies along the residual, whatever the phase.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy.fft

from acquire.analysis.extremes import places
from acquire.analysis.inputs import Floats
from acquire.analysis.measures import Measure
from acquire.analysis.shots import Shot


def pickup_along(measure: Measure, shot: Shot, floor: Shot) -> float:
    """Return the change of the level per relative change of the pickup. [unit]

    Of peak-to-peak: the difference of the pickup's analytic signal between the extremes. Of a
    quadratic level: the part of the pickup along the residual, |<p, d>| / |d|, of the analytic
    signals.
    """
    pickup = floor.mean()
    rest = shot.mean() - pickup
    analytic = analytic_signal(pickup)
    if measure.basis is None:
        high, low = places(rest)
        return float(abs(analytic[high] - analytic[low]))
    rows = measure.basis(np.stack([analytic.real, analytic.imag, rest]), shot.capture.step)
    norm = float(np.linalg.norm(rows[2]))
    return float(np.hypot(rows[0] @ rows[2], rows[1] @ rows[2])) / norm if norm > 0 else 0.0


def analytic_signal(trace: Floats) -> npt.NDArray[np.complex128]:
    """Return the signal whose real part is the trace and which holds no negative frequency.

    As `scipy.signal.hilbert`, which would make every run load all of scipy's statistics.
    """
    half = scipy.fft.rfft(trace)
    half[1 : (trace.size + 1) // 2] *= 2
    return np.asarray(scipy.fft.ifft(half, trace.size))
