"""What a kill leaves once the run file was named is tidied, and the file is proved first."""

import shutil

import pytest

from acquire.errors import DamagedFileError, RefusedError
from acquire.runfile import Spool, finish_run
from acquire.runfile.coding import write_checked


@pytest.fixture
def left(maker, tmp_path):
    """A spool, ``s.spool``, and beside it the run file that it went into."""
    folder = tmp_path / "s.spool"
    maker.spool(folder).close()
    shutil.copytree(folder, tmp_path / "copy")
    with Spool.open(folder) as spool:
        spool.consolidate(
            tmp_path / "s.h5", document_json=maker.document, state="complete", ended=maker.start
        )
    (tmp_path / "copy").rename(folder)
    return folder


def mark(folder, path):
    write_checked(folder / "consolidated.json", "marker", str(path), "a test")


def strip(folder):
    """Leave what is left once the header has gone."""
    shutil.rmtree(folder / "shots")
    for name in ("header.json", "instruments.json", "events.jsonl"):
        (folder / name).unlink()


def all_of_it(folder):
    pass


def marked(folder):
    mark(folder, folder.with_suffix(".h5"))


def without_header(folder):
    strip(folder)
    marked(folder)


def only_the_lock(folder):
    strip(folder)


def nothing(folder):
    shutil.rmtree(folder)


@pytest.mark.parametrize("remains", [all_of_it, marked, without_header, only_the_lock, nothing])
def test_whatever_is_left_is_removed_and_the_file_is_named(left, remains):
    remains(left)

    assert finish_run(left) == left.with_suffix(".h5")
    assert not left.exists()
    assert finish_run(left) == left.with_suffix(".h5")


@pytest.mark.parametrize("remains", [marked, without_header, only_the_lock])
def test_a_damaged_run_file_removes_nothing(left, remains):
    remains(left)
    before = sorted(left.rglob("*"))
    path = left.with_suffix(".h5")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)

    with pytest.raises(DamagedFileError):
        finish_run(left)
    assert sorted(left.rglob("*")) == before


def test_a_damaged_file_without_a_marker_is_no_run_file_of_this_run(left):
    left.with_suffix(".h5").write_bytes(b"no run file")

    assert finish_run(left) is None
    assert (left / "shots" / "00_reference_bare.h5").exists()


def test_the_file_of_another_run_is_not_this_one(left, maker):
    with Spool.open(left) as spool:
        maker.take(spool, maker.shot("03_reference_bare"))

    assert finish_run(left) is None
    assert (left / "header.json").exists()


@pytest.mark.parametrize("remains", [marked, without_header])
def test_a_file_that_was_moved_is_asked_for(left, remains):
    remains(left)
    left.with_suffix(".h5").rename(left.with_name("moved.h5"))

    with pytest.raises(DamagedFileError, match="not there any more; if you moved"):
        finish_run(left)


def test_a_run_that_is_being_written_is_left_alone(left):
    without_header(left)
    from acquire.runfile.durable import FolderLock

    lock = FolderLock(left)
    lock.take()
    with pytest.raises(RefusedError, match="is writing to this run"):
        finish_run(left)
    lock.release()


def test_what_is_no_spool_is_not_finished(tmp_path):
    assert finish_run(tmp_path / "none.spool") is None
    (tmp_path / "a.spool").mkdir()
    assert finish_run(tmp_path / "a.spool") is None
