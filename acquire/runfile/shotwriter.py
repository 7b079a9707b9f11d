"""One shot on its way to the disk: trace by trace, and durable when `commit` returns."""

from __future__ import annotations

import dataclasses
import hashlib
import math
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from acquire.analysis.inputs import Codes
from acquire.errors import InstrumentFault
from acquire.runfile.manifest import codes_bytes, store_manifest, take_manifest
from acquire.runfile.records import ShotEntry, ShotHeader, ShotQuality, TraceLike
from acquire.runfile.sealedwriter import SealedWriter
from acquire.runfile.shotgroup import Numbers, create_codes, write_numbers
from acquire.runfile.tree import walk


class ShotWriter:
    """Write one shot into a file of its own; leaving without `commit` discards it.

    Memory does not grow with the shot: a trace goes to the disk as it comes.

    Parameters
    ----------
    path : the shot's final name in the spool.
    header : what is known of it.
    committed : called with the entry once the shot is durable.
    """

    def __init__(
        self, path: Path, header: ShotHeader, committed: Callable[[ShotEntry], None]
    ) -> None:
        self.header = header
        self._committed = committed
        self._row = {c.quantity: i for i, c in enumerate(header.channels)}
        shape = (len(self._row), header.repeats)
        self._gain, self._offset = np.full(shape, np.nan), np.full(shape, np.nan)
        self._start, self._trigger = np.full(shape, np.nan), np.full(header.repeats, np.nan)
        self._preambles = {q: [""] * header.repeats for q in self._row}
        self._digests = {q: [""] * header.repeats for q in self._row}
        self._bits: dict[str, int] = {}
        self._samples, self._step = 0, 0.0
        self._datasets: dict[str, Any] = {}
        self._file = SealedWriter(path, f"writing shot {header.name}")
        self._group = self._file.file.create_group(f"shots/{header.name}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.discard()

    def discard(self) -> None:
        """Remove what was written, unless it was committed."""
        self._file.discard()

    def append(self, quantity: str, repeat: int, trace: TraceLike, trigger_time: float) -> None:
        """Write one trace of one record; a repeat written twice keeps the later one.

        Parameters
        ----------
        quantity : one of the header's channels.
        repeat : from 0.
        trace : codes and how to read them.
        trigger_time : since the run's own zero of time; the same for all traces of a record. [s]

        Raises
        ------
        InstrumentFault
            Where length, step or type differ from the shot's earlier traces.
        StorageError
            Where the disk would not take it.
        """
        stream = self.begin_trace(
            quantity,
            repeat,
            samples=trace.codes.shape[0],
            dtype=trace.codes.dtype,
            gain=trace.gain,
            offset=trace.offset,
            start=trace.start,
            step=trace.step,
            bits=trace.bits,
            preamble=trace.preamble,
            trigger_time=trigger_time,
        )
        stream.append_block(trace.codes)
        stream.end()

    def begin_trace(
        self,
        quantity: str,
        repeat: int,
        *,
        samples: int,
        dtype: Any,
        gain: float,
        offset: float,
        start: float,
        step: float,
        bits: int,
        preamble: str,
        trigger_time: float,
    ) -> TraceStream:
        """Begin a trace that comes in pieces (a deep record); see `append` for the meanings."""
        row = self._place(quantity, repeat)
        where = f"shot {self.header.name}, {quantity}, repeat {repeat}"
        _finite(where, gain, offset, start, step, trigger_time)
        self._agree(where, samples, np.dtype(dtype), step, quantity)
        self._digests[quantity][repeat] = ""
        self._gain[row, repeat], self._offset[row, repeat] = gain, offset
        self._start[row, repeat], self._trigger[repeat] = start, trigger_time
        self._preambles[quantity][repeat], self._bits[quantity] = preamble, bits
        return TraceStream(self._file, self._datasets[quantity], repeat, self._digests[quantity])

    def _place(self, quantity: str, repeat: int) -> int:
        if quantity not in self._row:
            raise ValueError(f"{quantity!r} is not a channel of shot {self.header.name}")
        if not 0 <= repeat < self.header.repeats:
            raise ValueError(f"repeat {repeat} of shot {self.header.name}: 0 to "
                             f"{self.header.repeats - 1} expected")  # fmt: skip
        return self._row[quantity]

    def _agree(self, where: str, samples: int, dtype: Any, step: float, quantity: str) -> None:
        if dtype not in (np.int8, np.int16):
            raise ValueError(f"{where}: codes are {dtype}; int8 or int16 expected")
        if samples < 1 or step <= 0:
            raise InstrumentFault(f"{where}: {samples} samples at a step of {step} s")
        if not self._samples:
            self._samples, self._step = samples, step
        if samples != self._samples or not math.isclose(step, self._step, rel_tol=1e-9):
            raise InstrumentFault(
                f"{where}: {samples} samples at {step} s, but the shot's first trace had "
                f"{self._samples} at {self._step} s; the record changed within a shot: retake it"
            )
        dataset = self._datasets.get(quantity)
        if dataset is None:
            made = create_codes(self._group, quantity, self.header.repeats, samples, dtype)
            self._datasets[quantity] = made
            self._file.check()
        elif dataset.dtype != dtype:
            raise InstrumentFault(f"{where}: codes are {dtype}, but were {dataset.dtype} before")

    def commit(self, quality: ShotQuality) -> ShotEntry:
        """Finish the shot. When this returns, neither a crash nor a power cut loses it.

        Raises
        ------
        ValueError
            Where a repeat of a quantity was never (wholly) written.
        StorageError
            Where the disk would not take it; the shot is not committed then.
        """
        missing = [
            f"{q}[{i}]" for q, ds in self._digests.items() for i, d in enumerate(ds) if not d
        ]
        if missing:
            raise ValueError(f"shot {self.header.name}: not written: {', '.join(missing[:5])}")
        channels = tuple(
            dataclasses.replace(c, bits=self._bits[c.quantity]) for c in self.header.channels
        )
        header = dataclasses.replace(self.header, channels=channels)
        entry = ShotEntry(header, quality, self._samples, self._step)
        numbers = Numbers(self._gain, self._offset, self._start, self._trigger, self._preambles)
        write_numbers(self._group, entry, numbers)
        known = {f"/shots/{self.header.name}/{q}": d for q, d in self._digests.items()}
        self._file.check()
        file = self._file.file
        file.attrs["format"], file.attrs["format_version"] = "floorshot-shot", 1
        store_manifest(file, take_manifest(walk(file, self._file.temp), self._file.temp, known))
        # Replacing is safe: only we write here, and a committed shot is never begun again.
        self._file.commit(replace=True)
        self._committed(entry)
        return entry


class TraceStream:
    """One trace in pieces, written in whole chunks so that the disk sees every byte once."""

    def __init__(self, file: SealedWriter, dataset: Any, repeat: int, digests: list[str]) -> None:
        self._file, self._dataset, self._repeat, self._digests = file, dataset, repeat, digests
        self._samples = dataset.shape[1]
        self._chunk = dataset.chunks[1]
        self._pending = np.empty(0, dataset.dtype)
        self._written = 0
        self._digest = hashlib.sha256()

    def append_block(self, codes: Codes) -> None:
        """Write the next samples. Shape (samples,), of the trace's type."""
        if codes.ndim != 1 or codes.dtype != self._dataset.dtype:
            raise ValueError(
                f"codes {codes.dtype} {codes.shape}: 1-D {self._dataset.dtype} expected"
            )
        if self._written + len(self._pending) + len(codes) > self._samples:
            raise ValueError(f"more samples than the {self._samples} announced")
        if len(self._pending):
            take = min(self._chunk - len(self._pending), len(codes))
            self._pending, codes = np.concatenate((self._pending, codes[:take])), codes[take:]
            if len(self._pending) == self._chunk:
                self._write(self._pending)
                self._pending = self._pending[:0]
        while len(codes) >= self._chunk:
            self._write(codes[: self._chunk])
            codes = codes[self._chunk :]
        if len(codes):
            self._pending = np.concatenate((self._pending, codes))

    def end(self) -> None:
        """Finish the trace; every announced sample must be there."""
        if len(self._pending):
            self._write(self._pending)
            self._pending = self._pending[:0]
        if self._written != self._samples:
            raise ValueError(f"{self._written} samples of {self._samples} written")
        self._digests[self._repeat] = self._digest.hexdigest()

    def _write(self, codes: Codes) -> None:
        self._dataset[self._repeat, self._written : self._written + len(codes)] = codes
        self._file.check()
        self._digest.update(codes_bytes(codes))
        self._written += len(codes)


def _finite(where: str, *values: float) -> None:
    if not all(math.isfinite(v) for v in values):
        raise InstrumentFault(f"{where}: the scaling holds a value that is not finite: {values}")
