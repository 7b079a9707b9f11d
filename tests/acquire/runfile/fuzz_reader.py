"""Run by test_fuzz.py in a process of its own: feed HDF5 files that were broken and re-sealed.

``fuzz_reader.py FILE FOLDER FIRST LAST`` prints the number of each file before it is read without
vetting, and "read" or "refused" after it.
"""

from __future__ import annotations

import os
import random
import resource
import sys
from pathlib import Path

from acquire.errors import FloorshotError
from acquire.runfile import RunFile
from acquire.runfile.seal import read_seal, write_seal


def make(source: Path, folder: Path, number: int) -> Path:
    """Break a copy of ``source`` as ``number`` says, and seal it again."""
    fd = os.open(source, os.O_RDONLY)
    size = read_seal(fd, source).size
    os.close(fd)
    path = folder / f"{number}.h5"
    path.write_bytes(_broken(source.read_bytes()[:size], random.Random(number)))
    fd = os.open(path, os.O_RDWR)
    write_seal(fd)
    os.close(fd)
    return path


def _broken(good: bytes, generator: random.Random) -> bytes:
    data = bytearray(good)
    for _ in range(generator.choice((1, 1, 2, 8, 64))):
        position = generator.randrange(len(data))
        kind = generator.randrange(4)
        if kind == 0:
            data[position] ^= 1 << generator.randrange(8)
        elif kind == 1:
            data[position] = generator.randrange(256)
        elif kind == 2:
            size = generator.choice((2, 4, 8))
            data[position : position + size] = generator.choice((b"\xff", b"\0")) * size
        else:
            other = generator.randrange(len(data))
            data[position : position + 16] = data[other : other + 16]
    return bytes(data[: len(good)])


def use(path: Path, *, trusted: bool) -> str:
    """Read everything that a run file offers; an error of ours is a fine answer."""
    try:
        with RunFile.open(path, trusted=trusted) as run:
            for entry in run.shots():
                for quantity in entry.ranges:
                    for _ in run.codes(entry.name, quantity):
                        pass
            _ = run.header, run.events(), run.instruments, run.results, run.state
    except FloorshotError as error:
        text = str(error)
        assert "\n" not in text
        assert len(text) < 2000
        return "refused"
    return "read"


def main(source: str, folder: str, first: str, last: str) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))  # memory beyond it is an error
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for number in range(int(first), int(last)):
        path = make(Path(source), Path(folder), number)
        sys.stdout.write(f"{number} ")
        sys.stdout.flush()
        sys.stdout.write(use(path, trusted=True) + "\n")
        sys.stdout.flush()
        path.unlink()


if __name__ == "__main__":
    main(*sys.argv[1:])
