import contextlib
import dataclasses
import os
import resource
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from acquire.errors import InstrumentFault, StorageError
from acquire.runfile import ShotQuality, Spool, verify
from acquire.runfile.shotgroup import CHUNK


@pytest.fixture
def spool(maker, tmp_path):
    with Spool.create(tmp_path / "s", maker.header()) as spool:
        yield spool


def _one(maker, repeats=2, samples=100, **changes):
    channels = (maker.channel("lead_current"),)
    return maker.shot("00_reference_bare", repeats, samples, channels=channels, **changes)


def _names(spool):
    return sorted(p.name for p in (spool.folder / "shots").iterdir())


def test_a_shot_is_one_file_and_only_after_commit(maker, spool):
    with spool.begin_shot(_one(maker)) as writer:
        for repeat in range(2):
            trace = maker.trace(maker.codes(repeat, 100))
            writer.append("lead_current", repeat, trace, 0.5 * repeat)
        assert _names(spool) == [".00_reference_bare.h5.tmp"]
        assert spool.shots() == ()
        entry = writer.commit(ShotQuality())

    assert _names(spool) == ["00_reference_bare.h5"]
    assert spool.shots() == (entry,)
    (capture,) = spool.captures(maker.transducers)
    assert (capture.codes[1] == maker.codes(1, 100)).all()
    assert capture.trigger_time.tolist() == [0.0, 0.5]


def test_leaving_without_commit_discards(maker, spool):
    with contextlib.suppress(KeyError), spool.begin_shot(_one(maker)) as writer:
        writer.append("lead_current", 0, maker.trace(maker.codes(0, 100)), 0.0)
        raise KeyError

    assert _names(spool) == []
    maker.take(spool, _one(maker), 100)
    assert _names(spool) == ["00_reference_bare.h5"]


@pytest.mark.parametrize("kind", ["int8", "int16"])
@pytest.mark.parametrize("piece", [1, 7, 4096, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK])
def test_a_deep_record_may_come_in_pieces_of_any_size(maker, spool, kind, piece):
    samples = 2 * CHUNK + 17 if piece > 10 else 300
    codes = maker.codes(1, samples, kind)
    with spool.begin_shot(_one(maker, 1, samples)) as writer:
        stream = writer.begin_trace(
            "lead_current", 0, samples=samples, dtype=codes.dtype, gain=0.1, offset=0.0, start=0.0,
            step=1e-9, bits=8, preamble="", trigger_time=0.0,
        )  # fmt: skip
        for start in range(0, samples, piece):
            stream.append_block(codes[start : start + piece])
        stream.end()
        writer.commit(ShotQuality())

    (capture,) = spool.captures(maker.transducers)
    assert (capture.codes[0] == codes).all()
    assert capture.codes.dtype == np.dtype(kind)
    assert verify(spool.folder) == []


def test_a_repeat_written_twice_keeps_the_later_one(maker, spool):
    with spool.begin_shot(_one(maker)) as writer:
        for repeat, seed in ((0, 1), (1, 2), (0, 3)):
            trace = maker.trace(maker.codes(seed, 100), gain=float(seed))
            writer.append("lead_current", repeat, trace, 0.0)
        writer.commit(ShotQuality())

    (capture,) = spool.captures(maker.transducers)
    assert (capture.codes[0] == maker.codes(3, 100)).all()
    assert capture.gain.tolist() == [3.0, 2.0]
    assert verify(spool.folder) == []


def test_an_unfinished_shot_cannot_be_committed(maker, spool):
    with spool.begin_shot(_one(maker)) as writer:
        writer.append("lead_current", 0, maker.trace(maker.codes(0, 100)), 0.0)
        stream = writer.begin_trace(
            "lead_current", 1, samples=100, dtype="int8", gain=0.1, offset=0.0, start=0.0,
            step=4e-9, bits=8, preamble="", trigger_time=0.0,
        )  # fmt: skip
        stream.append_block(maker.codes(0, 60))
        with pytest.raises(ValueError, match="60 samples of 100 written"):
            stream.end()
        with pytest.raises(ValueError, match="more samples than the 100"):
            stream.append_block(maker.codes(0, 60))
        with pytest.raises(ValueError, match=r"not written: lead_current\[1\]"):
            writer.commit(ShotQuality())

    assert _names(spool) == []


CHANGED = {
    "length": {"codes": np.zeros(99, np.int8)},
    "step": {"step": 5e-9},
    "type": {"codes": np.zeros(100, np.int16)},
    "gain": {"gain": float("nan")},
    "offset": {"offset": float("inf")},
    "start": {"start": float("-inf")},
}


@pytest.mark.parametrize("what", CHANGED)
def test_a_record_that_changes_within_a_shot_is_a_fault_of_the_instrument(maker, spool, what):
    good = maker.trace(maker.codes(0, 100))
    with spool.begin_shot(_one(maker)) as writer:
        writer.append("lead_current", 0, good, 0.0)
        with pytest.raises(InstrumentFault, match="shot 00_reference_bare, lead_current, repeat 1"):
            writer.append("lead_current", 1, dataclasses.replace(good, **CHANGED[what]), 0.0)


def test_an_empty_record_is_a_fault_and_other_misuse_is_a_mistake_of_ours(maker, spool):
    trace = maker.trace(maker.codes(0, 100))
    with spool.begin_shot(_one(maker)) as writer:
        with pytest.raises(InstrumentFault, match="0 samples"):
            writer.append("lead_current", 0, maker.trace(np.zeros(0, np.int8)), 0.0)
        with pytest.raises(ValueError, match="not a channel of shot"):
            writer.append("other", 0, trace, 0.0)
        with pytest.raises(ValueError, match="repeat 2 of shot"):
            writer.append("lead_current", 2, trace, 0.0)
        with pytest.raises(ValueError, match="int8 or int16 expected"):
            writer.append("lead_current", 0, maker.trace(np.zeros(100)), 0.0)  # type: ignore[arg-type]  # on purpose


def test_the_bits_that_the_record_came_with_are_kept(maker, spool):
    with spool.begin_shot(_one(maker, 1)) as writer:
        writer.append("lead_current", 0, maker.trace(maker.codes(0, 100), bits=12), 0.0)
        entry = writer.commit(ShotQuality())

    assert entry.header.channels[0].bits == 12
    assert spool.captures(maker.transducers)[0].bits == 12


def test_an_odd_preamble_does_not_cost_the_shot(maker, spool):
    odd = ["1,0\x00\udc80", "°C"]
    with spool.begin_shot(_one(maker)) as writer:
        for repeat in range(2):
            trace = maker.trace(maker.codes(0, 100), preamble=odd[repeat])
            writer.append("lead_current", repeat, trace, 0.0)
        writer.commit(ShotQuality())
    assert verify(spool.folder) == []


def test_many_short_records_share_chunks(maker, spool):
    maker.take(spool, _one(maker, 3000, 100), 100)

    with h5py.File(spool.shot_path("00_reference_bare")) as file:
        dataset = file["shots/00_reference_bare/lead_current"]
        assert dataset.id.get_num_chunks() <= 3
    (capture,) = spool.captures(maker.transducers)
    assert (capture.codes[2999] == maker.expected(0, 2999, "lead_current", 100)).all()


def test_a_file_size_limit_is_told_and_leaves_no_shot(maker, spool):
    """The kernel's own refusal (EFBIG), not an injected one."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    try:
        with pytest.raises(StorageError, match="beyond the allowed file size"):
            maker.take(spool, _one(maker, 3, 100_000), 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    assert _names(spool) == []
    maker.take(spool, _one(maker, 3, 100_000), 100_000)
    assert verify(spool.folder) == []


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 2 MB, where mounting is permitted."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "none", place], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"mounting is not permitted here: {mounted.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_full_file_system_costs_only_the_shot_in_flight(maker, small_disk):
    with Spool.create(small_disk / "s", maker.header()) as spool:

        def fill():
            for number in range(50):
                maker.take(spool, maker.shot(f"{number:02d}_floor_x", 3, 50_000), 50_000)

        with pytest.raises(StorageError, match="the disk is full") as caught:
            fill()
        committed = len(spool.shots())
        assert 1 <= committed < 10
        assert str(small_disk) in str(caught.value)
        assert " free" in str(caught.value)

    assert verify(small_disk / "s") == []
    with Spool.open(small_disk / "s") as spool:
        assert len(spool.shots()) == committed
        path = small_disk / "r.h5"
        with pytest.raises(StorageError, match="needed"):
            spool.consolidate(path, document_json=None, state="partial", ended=maker.start)
        assert not path.exists()
        elsewhere = small_disk.parent / "r.h5"
        spool.consolidate(elsewhere, document_json=None, state="partial", ended=maker.start)
    assert verify(elsewhere) == []


def test_memory_does_not_grow_with_the_shot(tmp_path):
    """64 MB of codes through a process that may use no more than a few blocks above its start."""
    code = """
import resource, sys
from pathlib import Path
import numpy as np
from datetime import UTC, datetime
from acquire.runfile import *
now = datetime(2025, 3, 4, tzinfo=UTC)
header = RunHeader("r", "s", "r", "", "", "b", "", "", {}, "{}", "", "x", now)
channel = ChannelRecord("lead_current", 1, "V", 1.0, 0.0, "DC", 50.0, "p", 8, 0.0, 0.0)
spool = Spool.create(Path(sys.argv[1]) / "s", header)
block = np.zeros(1 << 20, np.int8)
def shot(name, order, samples):
    made = ShotHeader(name, order, 0, "floor", "x", 2, samples, now, 1, (channel,))
    with spool.begin_shot(made) as writer:
        for repeat in range(2):
            stream = writer.begin_trace("lead_current", repeat, samples=samples, dtype="int8",
                gain=1.0, offset=0.0, start=0.0, step=1e-9, bits=8, preamble="", trigger_time=0.0)
            for _ in range(0, samples, len(block)):
                stream.append_block(block)
            stream.end()
        writer.commit(ShotQuality())
shot("00_floor_x", 0, 1 << 20)
spool.consolidate(Path(sys.argv[1]) / "a.h5", document_json=None, state="partial", ended=now)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
spool = Spool.create(Path(sys.argv[1]) / "s", header)
shot("00_floor_x", 0, 1 << 25)
spool.consolidate(Path(sys.argv[1]) / "b.h5", document_json=None, state="partial", ended=now)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-c", code, tmp_path], capture_output=True, check=True, cwd=root
    )

    assert int(done.stdout) < 16_000  # kB, for 64 MB of codes
