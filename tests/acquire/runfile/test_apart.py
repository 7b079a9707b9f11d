import os
import shutil
import sys

import pytest

from acquire.errors import DamagedFileError
from acquire.runfile import apart
from acquire.runfile.apart import examine, refuse_unless_sound
from acquire.runfile.seal import write_seal


@pytest.fixture
def spinning(run_file, tmp_path):
    """A re-sealed file over whose heap HDF5 2.0 spins for ever."""
    data = bytearray(run_file.read_bytes())
    start, end = data.index(b"GCOL"), data.index(b"\nfloorshot-seal")
    data[start + 16 : start + 4096] = bytes(4080)
    path = tmp_path / "spinning.h5"
    path.write_bytes(data[:end])
    fd = os.open(path, os.O_RDWR)
    write_seal(fd)
    os.close(fd)
    return path


def test_a_file_that_ends_the_process_does_not_hide_the_others(
    run_file, tmp_path, spinning, monkeypatch
):
    monkeypatch.setattr(apart, "STALLED", 3.0)
    first = shutil.copy(run_file, tmp_path / "a.h5")
    last = shutil.copy(run_file, tmp_path / "z.h5")
    changed = bytearray(last.read_bytes())
    changed[changed.index(b"Bonding lead")] ^= 1
    last.write_bytes(changed)

    found = examine("verify", "floorshot-run", [first, spinning, last])

    assert list(found) == [first, spinning, last]
    assert found[first] == []
    assert found[spinning][0][0] == "structure"
    assert ("/recipe", "values not what was written") in found[last]


def test_a_process_that_cannot_even_start_is_no_proof_of_soundness(run_file, monkeypatch):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(DamagedFileError, match="structure can no longer be followed"):
        refuse_unless_sound(run_file, "floorshot-run")


def test_a_sound_file_is_let_pass(run_file):
    refuse_unless_sound(run_file, "floorshot-run")
    assert examine("vet", "floorshot-run", []) == {}


def test_a_file_of_the_other_kind_is_refused(run_file):
    with pytest.raises(DamagedFileError, match="format 'floorshot-run'; expected 'floorshot-shot'"):
        refuse_unless_sound(run_file, "floorshot-shot")
