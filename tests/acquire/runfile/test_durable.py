import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.errors import DamagedFileError, ExitCode, RefusedError, StorageError
from acquire.runfile.durable import (
    FolderLock,
    free_space,
    human,
    publish,
    read_bounded,
    replace_text,
    storage_error,
    sync_folder,
    write_all,
    writing,
)


def test_a_full_disk_is_told_with_place_need_and_space(tmp_path):
    error = storage_error(OSError(errno.ENOSPC, "x"), tmp_path / "f", "writing the shot", 3_200_000)

    text = str(error)
    assert text.startswith(f"{tmp_path / 'f'}: writing the shot failed: the disk is full")
    assert "about 3.2 MB needed" in text
    assert " free" in text
    assert "committed shots are kept" in text
    assert error.exit_code == ExitCode.FAULT


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EIO, "input/output error"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "not permitted"),
        (errno.EDQUOT, "quota"),
        (errno.EFBIG, "allowed file size"),
    ],
)
def test_every_kind_of_disk_trouble_has_its_words(tmp_path, number, words):
    with (
        pytest.raises(StorageError, match=words),
        writing(tmp_path / "f", "writing"),
    ):
        raise OSError(number, "x")


def test_a_small_file_is_replaced_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "a.json"
    replace_text(path, "old", "writing")

    def full(fd, data, position):
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(StorageError):
        replace_text(path, "new", "writing")

    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_short_writes_are_carried_on_with(tmp_path, monkeypatch):
    real = os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda fd, data, at: real(fd, data[:3], at))
    fd = os.open(tmp_path / "f", os.O_RDWR | os.O_CREAT)

    write_all(fd, b"0123456789", 2)
    os.close(fd)

    assert (tmp_path / "f").read_bytes() == b"\0\0" + b"0123456789"


def test_a_name_is_given_once_and_never_over_an_existing_file(tmp_path):
    temp, final = tmp_path / ".t.tmp", tmp_path / "t"
    temp.write_text("new")
    publish(temp, final)

    assert final.read_text() == "new"
    assert not temp.exists()

    temp.write_text("newer")
    with pytest.raises(FileExistsError):
        publish(temp, final)
    assert final.read_text() == "new"


def test_a_name_is_given_where_there_are_no_hard_links(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", no_links)
    temp, final = tmp_path / ".t.tmp", tmp_path / "t"
    temp.write_text("new")
    publish(temp, final)
    assert final.read_text() == "new"

    temp.write_text("newer")
    with pytest.raises(FileExistsError):
        publish(temp, final)
    assert final.read_text() == "new"


def test_a_folder_that_cannot_be_synced_is_let_pass_but_a_failing_disk_is_not(
    tmp_path, monkeypatch
):
    def failing(number):
        def fsync(fd):
            raise OSError(number, "x")

        return fsync

    monkeypatch.setattr(os, "fsync", failing(errno.EINVAL))
    sync_folder(tmp_path)
    monkeypatch.setattr(os, "fsync", failing(errno.EIO))
    with pytest.raises(OSError, match="x"):
        sync_folder(tmp_path)


def test_reading_is_bounded(tmp_path):
    (tmp_path / "f").write_bytes(b"12345")

    assert read_bounded(tmp_path / "f", 5) == b"12345"
    with pytest.raises(DamagedFileError, match="larger than 4 byte"):
        read_bounded(tmp_path / "f", 4)
    with pytest.raises(DamagedFileError, match="cannot be read"):
        read_bounded(tmp_path / "none", 4)


def test_free_space_is_known_before_the_folder_exists(tmp_path):
    assert free_space(tmp_path / "a" / "b") > 0
    assert [human(999), human(1000), human(3_200_000)] == ["999 byte", "1.0 kB", "3.2 MB"]


def test_one_writer_holds_a_folder_and_the_second_learns_who(tmp_path):
    lock = FolderLock(tmp_path)
    lock.take()
    with pytest.raises(RefusedError, match=f"process {os.getpid()} is writing to this run"):
        FolderLock(tmp_path).take()

    lock.release()
    lock.release()
    again = FolderLock(tmp_path)
    again.take()
    again.release()


@pytest.mark.crash
def test_a_lock_does_not_outlive_a_killed_process(tmp_path):
    code = (
        "import sys; from pathlib import Path; from acquire.runfile.durable import FolderLock;"
        f"FolderLock(Path({str(tmp_path)!r})).take() or print('held', flush=True);"
        "sys.stdin.read()"
    )
    root = Path(__file__).parents[3]
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=root
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(RefusedError, match=f"process {holder.pid}"):
            FolderLock(tmp_path).take()
        holder.kill()

    lock = FolderLock(tmp_path)
    lock.take()
    lock.release()
