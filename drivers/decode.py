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


class CodeReader:
    """Makes signed codes of a block's pieces as they arrive, and keeps their extremes.

    Parameters
    ----------
    width, unsigned : as for `signed_codes`; 16-bit codes come low byte first.
    """

    def __init__(self, *, width: int, unsigned: bool) -> None:
        self._width, self._unsigned = width, unsigned
        self.lowest, self.highest = 1 << 15, -(1 << 15)

    def __call__(self, piece: memoryview) -> None:
        """Turn one piece into signed codes, in its own memory."""
        data = np.frombuffer(piece, np.uint8)
        if not data.size:
            return
        codes = signed_codes(data, width=self._width, unsigned=self._unsigned)
        self.lowest = min(self.lowest, int(codes.min()))
        self.highest = max(self.highest, int(codes.max()))

    def codes(self, data: npt.NDArray[np.uint8]) -> SeenCodes:
        """Return the whole block, all of whose pieces have arrived, as codes."""
        codes: Codes
        if self._width == 8:
            codes = data.view(np.int8)
        else:
            codes = data.view("<i2").astype(np.int16, copy=False)
        return SeenCodes(codes, self.lowest, self.highest)


@dataclass(frozen=True, slots=True, eq=False)
class SeenCodes:
    """Codes with their extremes, found while they arrived. ``codes`` as in `drivers.trace`."""

    codes: Codes
    lowest: int
    highest: int

    @classmethod
    def of(cls, codes: Codes) -> SeenCodes:
        """Return codes that are all here already."""
        if not codes.size:
            return cls(codes, 0, 0)
        return cls(codes, int(codes.min()), int(codes.max()))


def end_codes(width: int, bits: int) -> tuple[int, int]:
    """Return the lowest and the highest code that a left-justified converter can send."""
    step = 1 << max(width - bits, 0)
    half = 1 << (width - 1)
    return -half, half - step


def saturating_trace(
    seen: SeenCodes,
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
    seen : signed codes, left-justified in ``width`` bits. What lies in the outermost of 256 steps
        counts as clipped also where the converter is finer: such families do not say at which of
        their finer codes they saturate.
    gain, offset : of the signed codes. [V]
    start, step : [s]
    """
    coarse = min(bits, 8)
    low, high = end_codes(width, coarse)
    lsb = 1 << (width - coarse)
    return Trace(
        codes=seen.codes,
        gain=gain,
        offset=offset,
        start=start,
        step=step,
        bits=bits,
        code_low=low + lsb,
        code_high=high - 1,
        clipping=clipping(seen, Limits(low + lsb - 1, high, "end codes")),
        preamble=preamble,
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """Codes at or beyond which a sample has left the range; both ends included."""

    low: int
    high: int
    evidence: ClipEvidence


def clipping(seen: SeenCodes, limits: Limits) -> Clipping:
    """Count the samples at or beyond the limits; free where the extremes show none."""
    low = high = 0
    if seen.codes.size and seen.lowest <= limits.low:
        low = int(np.count_nonzero(seen.codes <= limits.low))
    if seen.codes.size and seen.highest >= limits.high:
        high = int(np.count_nonzero(seen.codes >= limits.high))
    return Clipping(limits.evidence, high=high, low=low)
