"""Read a run file: texts, shots, events and results, and its shots as the analysis wants them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, get_args

import h5py

from acquire.analysis.inputs import Capture, Codes, Transducer
from acquire.errors import BadInputError, DamagedFileError
from acquire.runfile.apart import refuse_unless_sound
from acquire.runfile.coding import from_json, from_plain, moment
from acquire.runfile.consolidate import FORMAT
from acquire.runfile.records import (
    Event,
    InstrumentRecord,
    RunHeader,
    RunState,
    ShotEntry,
    StoredResult,
)
from acquire.runfile.seal import SealedFile
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.shotgroup import Numbers, ShotGroup
from acquire.runfile.tree import trusting_nothing


class RunFile:
    """One finished run, open for reading. Make it with `open`; close it, or use ``with``.

    Only bytes that agree with the file's seal are ever used; a damaged part raises
    `DamagedFileError` when it is read, and the rest stays readable.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._reader = SealedReader(path, FORMAT)
        self._file = self._reader.file
        self._groups: dict[str, ShotGroup] = {}
        try:
            with trusting_nothing(path, "/"):
                self.header = self._header()
            self._entries = self._read_entries()
        except BaseException:
            self._reader.close()
            raise

    @classmethod
    def open(cls, path: Path, *, trusted: bool = False) -> Self:
        """Open a run file.

        A file may come from anywhere, and HDF5's parser can be made to hang or die; so another
        process tries it first (0.2 s). ``trusted`` skips that for a file that this program wrote.

        Raises
        ------
        DamagedFileError
            Where it is no run file, of a newer version, or what is needed at once is damaged.
        """
        if not trusted:
            SealedFile(path).close()  # the common mistakes are told at once
            refuse_unless_sound(path, FORMAT)
        return cls(path)

    def _header(self) -> RunHeader:
        attributes = self._file.attrs
        probes = self._reader.group("/probes")
        texts = {name: self._text(f"/probes/{name}") for name in probes}
        same = ("run_id", "site", "software", "recipe_sha256", "bench_sha256", "plan_sha256")
        return from_plain(
            RunHeader,
            {name: attributes[name] for name in same}
            | {
                "recipe_name": self._label("/recipe"),
                "recipe_text": self._text("/recipe"),
                "bench_name": self._label("/bench"),
                "bench_text": self._text("/bench"),
                "probe_texts": {self._label(f"/probes/{n}"): text for n, text in texts.items()},
                "plan_json": self._text("/plan"),
                "started": moment(attributes["started"], f"{self.path}: @started"),
            },
            str(self.path),
        )

    def _text(self, place: str) -> str:
        dataset = self._text_dataset(place)
        with trusting_nothing(self.path, place):
            size = int(dataset.attrs["bytes"])
            if not 0 <= size <= dataset.dtype.itemsize:
                raise ValueError(f"{size} bytes said, {dataset.dtype.itemsize} there")
            data = bytes(dataset[()])
            return data[:size].ljust(size, b"\0").decode()  # HDF5 drops NUL at a text's end

    def _label(self, place: str) -> str:
        with trusting_nothing(self.path, place):
            return str(self._text_dataset(place).attrs["name"])

    def _text_dataset(self, place: str) -> Any:
        dataset = self._file.get(place)
        if not isinstance(dataset, h5py.Dataset) or dataset.shape != ():
            raise DamagedFileError(f"{self.path}: the text {place} is missing")
        return dataset

    def _read_entries(self) -> tuple[ShotEntry, ...]:
        names = list(self._reader.group("/shots"))
        entries = [self._shot(name).entry for name in names]
        return tuple(sorted(entries, key=lambda e: (e.order, e.name)))

    def _shot(self, name: str) -> ShotGroup:
        if name not in self._groups:
            if name not in self._reader.group("/shots"):
                raise BadInputError(f"{self.path}: no shot {name!r}")
            group = self._reader.group(f"/shots/{name}")
            self._groups[name] = ShotGroup(group, name, self.path)
        return self._groups[name]

    @property
    def state(self) -> RunState:
        """How the run ended."""
        state = self._file.attrs.get("state")
        if state not in get_args(RunState):
            raise DamagedFileError(f"{self.path}: @state: {str(state)[:40]!r} is no state of a run")
        found: RunState = state
        return found

    @property
    def ended(self) -> datetime:
        """When the run ended. [UTC]"""
        return moment(str(self._file.attrs.get("ended")), f"{self.path}: @ended")

    def shots(self) -> tuple[ShotEntry, ...]:
        """Return the shots, in order."""
        return self._entries

    @property
    def instruments(self) -> list[InstrumentRecord]:
        """The instruments as they were met."""
        found: list[InstrumentRecord] = []
        for name, group in self._reader.group("/instruments").items():
            where = f"{self.path}: /instruments/{name}"
            with trusting_nothing(self.path, f"/instruments/{name}"):
                data: dict[str, Any] = {k: group.attrs[k] for k in ("role", "resource", "idn")}
                data["calibration_due"] = group.attrs["calibration_due"] or None
                data["settings"] = from_json(dict[str, str], group.attrs["settings"], where)
            found.append(from_plain(InstrumentRecord, data, where))
        return found

    def events(self) -> list[Event]:
        """Return what happened, in order."""
        return list(self.stream_events())

    def stream_events(self) -> Iterator[Event]:
        """Yield what happened, in order, without holding all of it."""
        table = self._file.get("events")
        if not isinstance(table, h5py.Dataset) or table.dtype.names != ("at", "name", "data"):
            raise DamagedFileError(f"{self.path}: /events: the table of events is missing")
        rows = max(1, (1 << 22) // table.dtype.itemsize)
        for start in range(0, table.shape[0], rows):
            with trusting_nothing(self.path, "/events"):
                block = table[start : start + rows].tolist()
                found = [self._event(row) for row in block]
            yield from found

    def _event(self, row: tuple[bytes, bytes, bytes]) -> Event:
        data = json.loads(row[2])
        if not isinstance(data, dict):
            raise DamagedFileError(f"{self.path}: /events: data that are not an object")
        return Event(row[1].decode(), moment(row[0].decode(), f"{self.path}: /events"), data)

    @property
    def results(self) -> tuple[StoredResult, ...]:
        """Every stored result: the run's own first (if it has one), then later analyses."""
        root = self._reader.group("/results")
        found = [self._result(root, "")] if "json" in root.attrs else []
        names = sorted(n for n in root if isinstance(root[n], h5py.Group))
        return (*found, *(self._result(root[name], name) for name in names))

    def _result(self, group: Any, name: str) -> StoredResult:
        with trusting_nothing(self.path, f"/results/{name}"):
            attributes = group.attrs
            return StoredResult(
                name,
                moment(attributes["made"], f"{self.path}: /results/{name}"),
                str(attributes["software"]),
                str(attributes["json"]),
                str(attributes.get("recipe", "")),
            )

    @property
    def document(self) -> str | None:
        """The latest result as the exact JSON text that was stored, or None."""
        results = self.results
        return results[-1].document if results else None

    def numbers(self, shot: str) -> Numbers:
        """Return gains, offsets, start and trigger times and preambles of a shot."""
        return self._shot(shot).numbers

    def trace_block(
        self,
        shot: str,
        quantity: str,
        repeats: slice = slice(None),
        samples: slice = slice(None),
    ) -> Codes:
        """Read some codes, and only those. Shape (repeats, samples)."""
        return self._shot(shot).codes(quantity, repeats, samples)

    def codes(self, shot: str, quantity: str) -> Iterator[Codes]:
        """Yield one trace after another; one is in memory at a time. Shape (samples,)."""
        group = self._shot(shot)
        for repeat in range(group.entry.repeats):
            yield group.codes(quantity, slice(repeat, repeat + 1))[0]

    def captures(self, transducers: Mapping[str, Transducer]) -> list[Capture]:
        """Return every shot as the analysis wants it, for the quantities named.

        All codes are in memory then, as int8 or int16.
        """
        found: list[Capture] = []
        for entry in self._entries:
            found += self._shot(entry.name).captures(transducers)
        return found

    def close(self) -> None:
        """Close the file; twice is harmless."""
        self._reader.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
