"""Raw block bytes to signed codes, and what the codes say about clipping. Pure.

The rules of this file:

* Codes are never scaled here. An unsigned code u of w bits is stored as u - 2^(w-1).
* A converter of b bits whose codes travel in w bits is left-justified: its step is 2^(w-b)
  (Keysight, Tektronix and R&S shift left; drivers/README.md names the manuals).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drivers.errors import AnswerError
from drivers.trace import ClipEvidence, Clipping, Codes, Trace


def signed_codes(
    data: npt.NDArray[np.uint8], *, width: int, unsigned: bool, big_endian: bool = False
) -> Codes:
    """Return block bytes as signed codes, reusing their memory.

    Parameters
    ----------
    data : shape (n,), uint8; it is overwritten.
    width : bits of one code on the wire, 8 or 16.
    unsigned : whether the wire carries offset binary.

    Returns
    -------
    Shape (n,), int8, or (n/2,), int16 in the machine's own byte order.

    Raises
    ------
    AnswerError
        If 16-bit codes do not fill the bytes.
    """
    if width == 8:
        if unsigned:
            np.bitwise_xor(data, 0x80, out=data)
        return data.view(np.int8)
    if data.size % 2:
        raise AnswerError(f"a block of {data.size} bytes cannot hold 16-bit codes")
    codes = data.view(">i2" if big_endian else "<i2").astype(np.int16, copy=False)
    if unsigned:
        np.bitwise_xor(codes, np.int16(-0x8000), out=codes)
    return codes


def end_codes(width: int, bits: int) -> tuple[int, int]:
    """Return the lowest and the highest code that a left-justified converter can send."""
    step = 1 << max(width - bits, 0)
    half = 1 << (width - 1)
    return -half, half - step


def saturating_trace(
    codes: Codes,
    *,
    gain: float,
    offset: float,
    start: float,
    step: float,
    bits: int,
    width: int,
    preamble: str,
) -> Trace:
    """Return a record of a family that has nothing but its end codes to show clipping with.

    Parameters
    ----------
    codes : signed, left-justified in ``width`` bits. What lies in the outermost of 256 steps
        counts as clipped also where the converter is finer: such families do not say at which of
        their finer codes they saturate.
    gain, offset : of the signed codes. [V]
    start, step : [s]
    """
    coarse = min(bits, 8)
    low, high = end_codes(width, coarse)
    lsb = 1 << (width - coarse)
    return Trace(
        codes=codes,
        gain=gain,
        offset=offset,
        start=start,
        step=step,
        bits=bits,
        code_low=low + lsb,
        code_high=high - 1,
        clipping=clipping(codes, Limits(low + lsb - 1, high, "end codes")),
        preamble=preamble,
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """Codes at or beyond which a sample has left the range; both ends included."""

    low: int
    high: int
    evidence: ClipEvidence


def clipping(codes: Codes, limits: Limits) -> Clipping:
    """Count the samples at or beyond the limits; cheap where there are none."""
    low = high = 0
    if codes.size and int(codes.min()) <= limits.low:
        low = int(np.count_nonzero(codes <= limits.low))
    if codes.size and int(codes.max()) >= limits.high:
        high = int(np.count_nonzero(codes >= limits.high))
    return Clipping(limits.evidence, high=high, low=low)
