"""Find what is not what was written, in a run file or a spool, and name the place."""

from __future__ import annotations

from pathlib import Path

from acquire.errors import DamagedFileError
from acquire.runfile.apart import examine
from acquire.runfile.coding import from_json, read_checked
from acquire.runfile.completeness import STORED, missing_shots
from acquire.runfile.consolidate import MARKER
from acquire.runfile.eventlog import DAMAGED, EventLog
from acquire.runfile.records import Damage, InstrumentRecord, RunHeader


def verify(path: Path) -> list[Damage]:
    """Read everything again and return each place that is not what was written; [] = whole.

    Parameters
    ----------
    path : a run file, or the folder of a spool.

    Raises
    ------
    DamagedFileError
        Where ``path`` is neither, or is not there.
    """
    if path.is_dir():
        return _verify_spool(path)
    if not path.exists():
        raise DamagedFileError(f"{path}: no such file")
    return _verify_files([path], "floorshot-run")


def _verify_files(paths: list[Path], kind: str) -> list[Damage]:
    found = examine("verify", kind, paths)
    return [Damage(str(path), place, text) for path in paths for place, text in found[path]]


def _verify_spool(folder: Path) -> list[Damage]:
    header, instruments = folder / "header.json", folder / "instruments.json"
    if not header.exists():
        raise DamagedFileError(f"{folder}: not a spooled run (no header.json in it)")
    found = _verify_text(header, "header", RunHeader)
    if instruments.exists():
        found += _verify_text(instruments, "instruments", list[InstrumentRecord])
    log = EventLog(folder / "events.jsonl", writable=False)
    found += [
        Damage(str(log.path), f"line {event.data['line']}", "not what was written")
        for event in log.stream()
        if event.name == DAMAGED
    ]
    found += _missing(folder, log)
    return found + _verify_files(sorted((folder / "shots").glob("*.h5")), "floorshot-shot")


def _missing(folder: Path, log: EventLog) -> list[Damage]:
    """Look for each announced shot; after the log was read, for the run may be going on."""
    shots = folder / "shots"
    announced = missing_shots(((event.name, event.data) for event in log.stream()), ())
    missing = [shot for shot in announced if not (shots / f"{shot}.h5").exists()]
    if (folder / MARKER).exists():  # its run file stands, and it is being tidied away
        return []
    if not log.path.exists() and any(shots.glob("*.h5")):
        return [Damage(str(log.path), "", "gone, though shots were stored")]
    text = f"gone: {log.path.name} has it as {STORED}"
    return [Damage(str(shots / f"{shot}.h5"), "", text) for shot in missing]


def _verify_text(path: Path, kind: str, record: type[object]) -> list[Damage]:
    try:
        from_json(record, read_checked(path, kind), str(path))
    except DamagedFileError as error:
        return [Damage(str(path), "", str(error).removeprefix(f"{path}: "))]
    return []
