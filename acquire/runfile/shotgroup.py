"""One shot as an HDF5 group; the same in a spooled shot and in a run file (layout: README.md)."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from acquire.analysis.inputs import Capture, Codes, Floats, Transducer
from acquire.errors import BadInputError, DamagedFileError
from acquire.runfile.coding import compact, from_json, from_plain, moment, stored, to_json, utc
from acquire.runfile.records import ChannelRecord, ShotEntry, ShotHeader, ShotQuality
from acquire.runfile.tree import trusting_nothing

RESERVED = frozenset({"repeat", "time", "quantity", "trigger_time", "gain", "offset", "start_time"})
"""Names in a shot's group that no quantity can have."""
CHUNK = 1 << 20
"""Samples of one trace that are stored, checked and read together."""
_SHORT = 1 << 18
"""Short traces share a chunk of about this many samples, or their number would be the cost."""
_CHANNEL = tuple(
    f.name for f in dataclasses.fields(ChannelRecord) if f.name not in {"quantity", "unit"}
)
_ENTRY = ("order", "step", "attempt", "role", "condition", "repeats", "record_length")


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """What is stored once per record beside the codes.

    Attributes
    ----------
    gain, offset, start : shape (quantity, repeat). [V, V, s]
    trigger_time : shape (repeat,). [s]
    preambles : quantity -> one text per repeat.
    """

    gain: Floats
    offset: Floats
    start: Floats
    trigger_time: Floats
    preambles: Mapping[str, list[str]]


def create_codes(group: Any, quantity: str, repeats: int, samples: int, dtype: Any) -> Any:
    """Make the dataset of one quantity, checked by HDF5 itself (fletcher32) whenever it is read."""
    return group.create_dataset(
        quantity,
        (repeats, samples),
        np.dtype(dtype).newbyteorder("<"),
        chunks=(max(1, min(repeats, _SHORT // samples)), min(samples, CHUNK)),
        fletcher32=True,
    )


def write_numbers(group: Any, entry: ShotEntry, numbers: Numbers) -> None:
    """Write everything of a shot but its codes, which are there already."""
    names = [c.quantity for c in entry.header.channels]
    kind = h5py.string_dtype("utf-8", max(map(len, names)))
    texts = np.array([name.encode() for name in names], dtype=kind)
    group.create_dataset("quantity", data=texts, dtype=kind)
    group["quantity"].attrs["_Encoding"] = "utf-8"  # or xarray labels the rows with bytes
    group.create_dataset("trigger_time", data=numbers.trigger_time, fletcher32=True)
    group.create_dataset("gain", data=numbers.gain, fletcher32=True)
    group.create_dataset("offset", data=numbers.offset, fletcher32=True)
    group.create_dataset("start_time", data=numbers.start, fletcher32=True)
    for name, unit in (("trigger_time", "s"), ("gain", "V"), ("offset", "V"), ("start_time", "s")):
        group[name].attrs["units"] = unit
    for name in _ENTRY:
        group.attrs[name] = stored(getattr(entry.header, name))
    group.attrs["started"] = utc(entry.header.started)
    group.attrs["settings"] = compact(entry.header.settings)
    group.attrs["quality"] = to_json(entry.quality)
    group.attrs["ranges"] = compact(entry.ranges)
    group.attrs["time_step"] = entry.interval
    for index, channel in enumerate(entry.header.channels):
        _write_channel(group[channel.quantity], channel, numbers, index)


def _write_channel(dataset: Any, channel: ChannelRecord, numbers: Numbers, index: int) -> None:
    attributes = dataset.attrs
    for name in _CHANNEL:
        attributes[name] = stored(getattr(channel, name))
    texts = numbers.preambles[channel.quantity]
    if len(set(texts)) == 1:
        attributes["preamble"] = stored(texts[0])
    else:
        attributes["preamble_by_repeat"] = compact(texts)
    gain, offset = numbers.gain[index], numbers.offset[index]
    if (gain == gain[0]).all() and (offset == offset[0]).all():
        attributes["scale_factor"], attributes["add_offset"] = gain[0], offset[0]
        attributes["units"] = channel.unit
    else:  # one factor would be wrong for some repeat: leave codes as codes, and say so
        attributes["units"] = "1"
        attributes["scaling"] = (
            "codes; the gain or offset differs between repeats: "
            "volts = gain[quantity, repeat] * code + offset[quantity, repeat]"
        )


class ShotGroup:
    """One shot in an open file. Nothing is read before it is asked for.

    Parameters
    ----------
    group : the h5py group.
    name : the shot's name.
    path : the file, for messages.
    """

    def __init__(self, group: Any, name: str, path: Path) -> None:
        self._group, self._path, self._where = group, path, f"{path}: /shots/{name}"
        self._place = f"/shots/{name}"
        with trusting_nothing(path, self._place):
            self.entry = self._read_entry(name)
            self.numbers = self._read_numbers()

    def _read_entry(self, name: str) -> ShotEntry:
        attributes = self._group.attrs
        quantities = [text.decode() for text in self._dataset("quantity")[()].tolist()]
        channels = [self._read_channel(quantity) for quantity in quantities]
        data: dict[str, Any] = {key: _python(attributes[key]) for key in _ENTRY}
        header = from_plain(
            ShotHeader,
            data
            | {
                "name": name,
                "started": moment(attributes["started"], self._where),
                "channels": tuple(channels),
                "settings": from_json(dict[str, str], attributes["settings"], self._where),
            },
            self._where,
        )
        shapes = {self._dataset(q).shape for q in quantities}
        if len(shapes) != 1 or next(iter(shapes))[0] != header.repeats:
            raise DamagedFileError(f"{self._where}: its quantities differ in shape: {shapes}")
        quality = from_json(ShotQuality, attributes["quality"], self._where)
        return ShotEntry(header, quality, next(iter(shapes))[1], float(attributes["time_step"]))

    def _read_channel(self, quantity: str) -> ChannelRecord:
        dataset = self._dataset(quantity)
        if dataset.ndim != 2 or dataset.dtype.kind != "i" or dataset.dtype.itemsize > 2:
            raise DamagedFileError(
                f"{self._where}/{quantity}: expected int8 or int16 [repeat, time], "
                f"found {dataset.dtype} {list(dataset.shape)}"
            )
        data: dict[str, Any] = {key: _python(dataset.attrs[key]) for key in _CHANNEL}
        return from_plain(
            ChannelRecord, data | {"quantity": quantity, "unit": "V"}, f"{self._where}/{quantity}"
        )

    def _read_numbers(self) -> Numbers:
        channels, repeats = self.entry.header.channels, self.entry.repeats
        both = (len(channels), repeats)
        preambles = {c.quantity: self._preambles(c.quantity) for c in channels}
        return Numbers(
            self._floats("gain", both),
            self._floats("offset", both),
            self._floats("start_time", both),
            self._floats("trigger_time", (repeats,)),
            preambles,
        )

    def _preambles(self, quantity: str) -> list[str]:
        attributes = self._dataset(quantity).attrs
        if "preamble" in attributes:
            return [str(attributes["preamble"])] * self.entry.repeats
        texts = from_json(list[str], attributes["preamble_by_repeat"], self._where)
        if len(texts) != self.entry.repeats:
            raise DamagedFileError(f"{self._where}/{quantity}: one preamble per repeat expected")
        return texts

    def _floats(self, name: str, shape: tuple[int, ...]) -> Floats:
        dataset = self._dataset(name)
        if dataset.shape != shape or dataset.dtype.kind != "f":
            raise DamagedFileError(f"{self._where}/{name}: expected floats {list(shape)}")
        values: Floats = np.asarray(dataset[()], dtype=np.float64)
        if not np.isfinite(values).all():
            raise DamagedFileError(f"{self._where}/{name}: holds a value that is not finite")
        return values

    def _dataset(self, name: str) -> Any:
        found = self._group.get(name)
        if not isinstance(found, h5py.Dataset):
            raise DamagedFileError(f"{self._where}: the dataset {name!r} is missing")
        return found

    def dtype(self, quantity: str) -> Any:
        """Return int8 or int16."""
        return self._dataset(quantity).dtype

    def codes(
        self, quantity: str, rows: slice = slice(None), samples: slice = slice(None)
    ) -> Codes:
        """Read codes. Shape (repeats in ``rows``, samples in ``samples``)."""
        self.index(quantity)
        with trusting_nothing(self._path, f"{self._place}/{quantity}"):
            codes: Codes = self._dataset(quantity)[rows, samples]
        return codes

    def index(self, quantity: str) -> int:
        """Return the position of a quantity in the shot."""
        names = [c.quantity for c in self.entry.header.channels]
        if quantity not in names:
            raise BadInputError(
                f"{self._where}: no quantity {quantity!r}; it has {', '.join(names)}"
            )
        return names.index(quantity)

    def capture(self, quantity: str, transducer: Transducer) -> Capture:
        """Read one quantity as the analysis wants it; all its codes are in memory then."""
        index, entry = self.index(quantity), self.entry
        channel = entry.header.channels[index]
        return Capture(
            shot=entry.name,
            order=entry.order,
            role=entry.role,
            condition=entry.condition,
            quantity=quantity,
            codes=self.codes(quantity),
            gain=self.numbers.gain[index],
            offset=self.numbers.offset[index],
            start=self.numbers.start[index],
            step=entry.interval,
            trigger_time=self.numbers.trigger_time,
            bits=channel.bits,
            vertical_range=channel.vertical_range,
            transducer=transducer,
            gain_accuracy=channel.gain_accuracy,
            pickup_repeatability=channel.pickup_repeatability,
            clipped=entry.quality.clipped.get(quantity, 0),
            faults=entry.quality.faults,
        )

    def captures(self, transducers: Mapping[str, Transducer]) -> list[Capture]:
        """Read every quantity that ``transducers`` names."""
        return [
            self.capture(c.quantity, transducers[c.quantity])
            for c in self.entry.header.channels
            if c.quantity in transducers
        ]


def _python(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value
