"""One record of the newest shots, from a spool that still grows or from a run file.

Only these few records are read, however long the run is; nothing is locked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from acquire.analysis.inputs import Codes
from acquire.errors import DamagedFileError
from acquire.runfile.coding import from_json, read_checked
from acquire.runfile.reader import RunFile
from acquire.runfile.records import ChannelRecord, RunHeader, ShotEntry
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.shotgroup import Numbers, ShotGroup
from acquire.runfile.spool import SHOT_NAME

T = TypeVar("T")

FLOORS = 8
"""Floor shots that are read."""


@dataclass(frozen=True, slots=True, eq=False)
class Glimpse:
    """The last record of a shot, one quantity of it; volts = gain * code + offset.

    Attributes
    ----------
    shot : the shot's entry.
    channel : of the quantity.
    codes : shape (samples,).
    gain, offset : [V]
    start : time of the first sample after the trigger. [s]
    """

    shot: ShotEntry
    channel: ChannelRecord
    codes: Codes
    gain: float
    offset: float
    start: float


def newest(path: Path) -> tuple[Mapping[str, str], tuple[Glimpse, ...]]:
    """Return the probe texts of a run, and glimpses of its newest shots, in order.

    These are the newest shot of each role; of floors, of which there is one for each range, the
    newest ``FLOORS``.

    Parameters
    ----------
    path : a spool's folder, or a run file that this program wrote.

    Raises
    ------
    DamagedFileError
        If it is gone, or what is needed of it is damaged.
    """
    return _of_spool(path) if path.is_dir() else _of_run_file(path)


def _of_spool(folder: Path) -> tuple[Mapping[str, str], tuple[Glimpse, ...]]:
    try:
        text = read_checked(folder / "header.json", "header")
        names = [path.stem for path in (folder / "shots").glob("*.h5")]
    except OSError as why:
        raise DamagedFileError(f"{folder}: the spool is gone") from why
    header = from_json(RunHeader, text, str(folder / "header.json"))
    whole = sorted(filter(SHOT_NAME.fullmatch, names), key=_order)
    found: list[Glimpse] = []
    for name in _newest(whole, lambda name: name.split("_")[1]):
        path = folder / "shots" / f"{name}.h5"
        try:
            with SealedReader(path, "floorshot-shot") as reader:
                group = ShotGroup(reader.group(f"/shots/{name}"), name, path)
                found += _glimpses(group.entry, group.numbers, group.codes)
        except OSError as why:
            raise DamagedFileError(f"{path}: the spool is gone") from why
    return header.probe_texts, tuple(found)


def _newest(shots: Sequence[T], role: Callable[[T], str]) -> list[T]:
    """Return of shots in order those that are worth a glimpse, in order."""
    by_role: dict[str, list[T]] = {}
    for shot in shots:
        by_role.setdefault(role(shot), []).append(shot)
    wanted = {id(one) for kind, of in by_role.items()
              for one in of[-FLOORS if kind == "floor" else -1:]}  # fmt: skip
    return [shot for shot in shots if id(shot) in wanted]


def _order(name: str) -> int:
    return int(name.split("_")[0])


def _of_run_file(path: Path) -> tuple[Mapping[str, str], tuple[Glimpse, ...]]:
    with RunFile.open(path, trusted=True) as file:
        found: list[Glimpse] = []
        for shot in _newest(file.shots(), lambda entry: entry.role):
            found += _glimpses(shot, file.numbers(shot.name), partial(file.trace_block, shot.name))
        return file.header.probe_texts, tuple(found)


def _glimpses(
    shot: ShotEntry, numbers: Numbers, codes: Callable[[str, slice], Codes]
) -> Iterator[Glimpse]:
    last = shot.repeats - 1
    for index, channel in enumerate(shot.header.channels):
        yield Glimpse(
            shot,
            channel,
            codes(channel.quantity, slice(last, last + 1))[0],
            float(numbers.gain[index, last]),
            float(numbers.offset[index, last]),
            float(numbers.start[index, last]),
        )
