"""A glimpse of a spool, of the run file made from it, and of what is no longer there."""

import numpy as np
import pytest

from acquire.errors import DamagedFileError
from acquire.runfile import RunFile
from acquire.runfile import glimpse as glimpse_module
from acquire.runfile.glimpse import newest


@pytest.fixture
def spool(maker, tmp_path):
    with maker.spool(tmp_path / "run.spool") as one:
        yield one


def described(found):
    return [
        (one.shot.name, one.channel.quantity, one.gain, one.offset, one.start, one.codes.tolist())
        for one in found[1]
    ]


def test_a_spool_shows_the_last_record_of_each_shot(maker, spool):
    texts, found = newest(spool.folder)

    assert texts == maker.header().probe_texts
    assert [one.shot.role for one in found[::2]] == ["reference", "floor", "target"]
    for one in found:
        order, last = one.shot.order, one.shot.repeats - 1
        kind = str(one.codes.dtype)
        expected = maker.expected(order, last, one.channel.quantity, one.codes.size, kind)
        np.testing.assert_array_equal(one.codes, expected)


def test_the_run_file_shows_the_same(run_file, spool):
    assert described(newest(run_file)) == described(newest(spool.folder))


def test_only_the_newest_of_a_role_is_read_and_so_many_floors(maker, spool, monkeypatch):
    monkeypatch.setattr(glimpse_module, "FLOORS", 2)
    for name in ("03_reference_bare", "04_floor_shorted", "05_floor_shorted"):
        maker.take(spool, maker.shot(name))

    found = newest(spool.folder)[1]

    assert list(dict.fromkeys(one.shot.name for one in found)) == [
        "02_target_choke", "03_reference_bare", "04_floor_shorted", "05_floor_shorted",
    ]  # fmt: skip


def test_a_glimpse_agrees_with_the_reader(run_file):
    with RunFile.open(run_file) as run:
        for one in newest(run_file)[1]:
            codes = run.trace_block(one.shot.name, one.channel.quantity)
            np.testing.assert_array_equal(one.codes, codes[-1])


def test_what_is_gone_or_damaged_is_said_to_be(spool, tmp_path):
    with pytest.raises(DamagedFileError):
        newest(tmp_path / "nowhere.h5")
    path = spool.shot_path("02_target_choke")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(DamagedFileError, match="02_target_choke"):
        newest(spool.folder)
