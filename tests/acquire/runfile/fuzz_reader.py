"""Run by test_fuzz.py in a process of its own: feed the reader files that were broken and re-sealed.

``fuzz_reader.py FILE FOLDER SEED COUNT`` prints how many files were read and how many refused.
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


def content(path: Path) -> bytes:
    fd = os.open(path, os.O_RDONLY)
    size = read_seal(fd, path).size
    os.close(fd)
    return path.read_bytes()[:size]


def broken(good: bytes, generator: random.Random) -> bytes:
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
    return bytes(data)


def use(path: Path) -> None:
    with RunFile.open(path) as run:
        assert run.header.run_id is not None
        for entry in run.shots():
            for quantity in entry.ranges:
                for trace in run.codes(entry.name, quantity):
                    assert trace.ndim == 1
        assert run.events() is not None
        assert run.instruments is not None
        assert run.results is not None
        assert run.state


def main(source: str, folder: str, seed: str, count: str) -> None:
    good = content(Path(source))
    resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))  # memory beyond it is an error
    outcome = {"read": 0, "refused": 0}
    for number in range(int(seed), int(seed) + int(count)):
        path = Path(folder) / "a.h5"
        path.write_bytes(broken(good, random.Random(number)))
        sys.stderr.write(f"{number}\n")  # the last one is to blame if this process dies
        fd = os.open(path, os.O_RDWR)
        write_seal(fd)
        os.close(fd)
        try:
            use(path)
            outcome["read"] += 1
        except FloorshotError as error:
            assert "\n" not in str(error)
            assert len(str(error)) < 2000
            outcome["refused"] += 1
    sys.stdout.write(f"{outcome['read']} {outcome['refused']}")


if __name__ == "__main__":
    main(*sys.argv[1:])
