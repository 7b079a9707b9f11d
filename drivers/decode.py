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
from drivers.trace import ClipEvidence, Clipping, Codes


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
