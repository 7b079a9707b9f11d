"""A run file is untrusted input. The seal keeps chance away from HDF5; here somebody re-sealed it.

Most broken files are read without vetting, which is fast. Those over which HDF5 dies or gets stuck
are then given to the reader as everybody uses it, which must answer with one clear error.
"""

import importlib.util
import os
import selectors
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from acquire.errors import DamagedFileError
from acquire.runfile import RunFile, apart, verify
from acquire.runfile.seal import write_seal

ROOT = Path(__file__).parents[3]
SCRIPT = Path(__file__).with_name("fuzz_reader.py")
COUNT = int(os.environ.get("FLOORSHOT_FUZZ", "25"))
"""Broken files; more by ``FLOORSHOT_FUZZ=5000 pytest --timeout=0 .../test_fuzz.py``."""
STALLED = 3.0


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("fuzz_reader", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def _unvetted(run_file, folder, first, last):
    """Return the outcomes from ``first`` on, up to the file that HDF5 did not survive (if any)."""
    with subprocess.Popen(
        [sys.executable, SCRIPT, run_file, folder, str(first), str(last)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        text, patience = b"", 30.0  # the first answer waits for the imports
        with selectors.DefaultSelector() as selector:
            selector.register(process.stdout, selectors.EVENT_READ)
            while selector.select(patience):
                data = os.read(process.stdout.fileno(), 1 << 16)
                if not data:
                    break
                text, patience = text + data, STALLED
        process.kill()
    return [line.split() for line in text.decode().splitlines()]


def test_a_broken_and_resealed_file_gives_an_answer_or_one_clear_error(
    run_file, tmp_path, script, monkeypatch
):
    monkeypatch.setattr(apart, "STALLED", STALLED)
    outcomes: Counter[str] = Counter()
    number = 1
    while number <= COUNT:
        lines = _unvetted(run_file, tmp_path, number, COUNT + 1)
        assert lines, "the process that reads the broken files did not even start"
        for line in lines:
            number = int(line[0]) + 1
            outcomes[line[1] if len(line) > 1 else "died or stuck"] += 1
            if len(line) == 1:
                path = script.make(run_file, tmp_path, int(line[0]))
                assert script.use(path, trusted=False) == "refused", line[0]

    sys.stdout.write(f"{dict(outcomes)}\n")  # shown by pytest -s
    assert sum(outcomes.values()) == COUNT
    assert outcomes["refused"] > COUNT // 20
    assert outcomes["read"] > COUNT // 20


def test_a_file_over_which_hdf5_spins_is_refused_by_reader_and_verify(
    run_file, tmp_path, monkeypatch
):
    """A heap object of size 0 once kept HDF5 2.0 busy for ever; found by the fuzz above."""
    data = bytearray(run_file.read_bytes())
    start = data.index(b"GCOL")
    end = data.index(b"\nfloorshot-seal")
    data[start + 16 : start + 4096] = bytes(4080)
    (tmp_path / "a.h5").write_bytes(data[:end])
    fd = os.open(tmp_path / "a.h5", os.O_RDWR)
    write_seal(fd)
    os.close(fd)
    monkeypatch.setattr(apart, "STALLED", STALLED)

    with pytest.raises(DamagedFileError) as caught:
        RunFile.open(tmp_path / "a.h5")
    assert "\n" not in str(caught.value)
    assert verify(tmp_path / "a.h5") != []
