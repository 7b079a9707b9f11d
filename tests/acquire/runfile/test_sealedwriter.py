import contextlib
import errno
import os

import h5py
import pytest

from acquire.errors import RefusedError, StorageError
from acquire.runfile.seal import SealedFile
from acquire.runfile.sealedwriter import SealedWriter


def _names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_a_file_appears_whole_and_only_at_commit(tmp_path):
    with SealedWriter(tmp_path / "a.h5", "writing") as out:
        out.file["x"] = [1, 2, 3]
        assert _names(tmp_path) == [".a.h5.tmp"]
        out.commit()

    assert _names(tmp_path) == ["a.h5"]
    with SealedFile(tmp_path / "a.h5") as source, h5py.File(source, "r") as file:
        assert file["x"][:].tolist() == [1, 2, 3]


def test_leaving_without_commit_leaves_nothing(tmp_path):
    with contextlib.suppress(KeyError), SealedWriter(tmp_path / "a.h5", "writing") as out:
        out.file["x"] = [1]
        raise KeyError

    assert _names(tmp_path) == []


def test_an_existing_file_is_never_overwritten(tmp_path):
    (tmp_path / "a.h5").write_text("mine")
    with SealedWriter(tmp_path / "a.h5", "writing") as out:
        out.file["x"] = [1]
        with pytest.raises(RefusedError, match="exists and is never overwritten"):
            out.commit()

    assert _names(tmp_path) == ["a.h5"]
    assert (tmp_path / "a.h5").read_text() == "mine"


def test_a_temp_name_left_by_a_crash_may_be_a_second_name_of_a_good_file(tmp_path):
    (tmp_path / "a.h5").write_text("good")
    os.link(tmp_path / "a.h5", tmp_path / ".a.h5.tmp")
    with SealedWriter(tmp_path / "a.h5", "writing"):
        pass

    assert (tmp_path / "a.h5").read_text() == "good"


@pytest.mark.parametrize("call", ["pwrite", "ftruncate", "fsync"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_disk_that_fails_at_any_moment_leaves_nothing_and_is_told(
    tmp_path, monkeypatch, call, number
):
    """Fail the first, second, third ... call in turn until a whole write gets through."""
    real = getattr(os, call)
    for moment in range(60):
        calls = iter(range(1000))

        def failing(*arguments, moment=moment, calls=calls):
            if next(calls) >= moment:
                raise OSError(number, "injected")
            return real(*arguments)

        folder = tmp_path / str(moment)
        folder.mkdir()
        told = ""
        try:
            with monkeypatch.context() as patch, SealedWriter(folder / "a.h5", "writing") as out:
                patch.setattr(os, call, failing)
                for index in range(4):
                    dataset = out.file.create_dataset(f"x{index}", 5000, "i2", fletcher32=True)
                    dataset[:] = index
                    dataset.attrs["text"] = "µ" * 5000
                out.commit()
        except StorageError as error:
            told = str(error)
        if not told:
            assert moment > 0
            return
        assert "a.h5: writing failed" in told
        written = _names(folder)
        assert written in ([], ["a.h5"])
        if written:  # only the folder's own sync failed: whole, and not promised to last
            with SealedFile(folder / "a.h5") as file:
                assert list(file.damaged_blocks()) == []
    pytest.fail("never got through")


def test_the_proof_reads_the_temp_file_and_can_stop_the_commit(tmp_path):
    seen = []

    def proof(path):
        seen.append(path.name)
        raise RefusedError("no")

    with SealedWriter(tmp_path / "a.h5", "writing") as out:
        out.file["x"] = [1]
        with pytest.raises(RefusedError):
            out.commit(proof=proof)

    assert seen == [".a.h5.tmp"]
    assert _names(tmp_path) == []


def test_data_are_synced_before_the_name_and_the_name_after_it(tmp_path, monkeypatch):
    """The order by which a power cut leaves the whole file or none."""
    order = []
    for name in ("pwrite", "fsync", "link", "open"):
        real = getattr(os, name)

        def noting(*arguments, name=name, real=real, **named):
            is_folder = name == "open" and arguments[0] == tmp_path
            if name != "open" or is_folder:
                order.append("folder" if is_folder else name)
            return real(*arguments, **named)

        monkeypatch.setattr(os, name, noting)
    with SealedWriter(tmp_path / "a.h5", "writing") as out:
        out.file["x"] = [1, 2, 3]
        out.commit()

    last_write = len(order) - 1 - order[::-1].index("pwrite")
    assert order[last_write:] == ["pwrite", "fsync", "link", "folder", "fsync"]
