import gc
import os

import h5py
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import DamagedFileError
from acquire.runfile.seal import BLOCK, SealedFile, read_seal, span


@pytest.fixture(scope="module")
def sealed(maker, tmp_path_factory):
    path = tmp_path_factory.mktemp("seal") / "a.h5"
    with h5py.File(path, "w") as file:
        file["codes"] = maker.codes(1, 3 * BLOCK)
    maker.seal(path)
    return path


def test_the_seal_is_text_and_hdf5_does_not_mind_it(sealed):
    tail = sealed.read_bytes()[-600:].decode("ascii", "replace")

    assert "\nfloorshot-seal 1\nsize " in tail
    assert tail.splitlines()[-1].startswith("end ")
    with h5py.File(sealed) as file:
        assert file["codes"].shape == (3 * BLOCK,)


@settings(max_examples=300, deadline=None)
@given(where=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7))
def test_every_flipped_bit_of_a_file_is_found(sealed, tmp_path_factory, where, bit):
    path = tmp_path_factory.mktemp("flip") / "a.h5"
    data = bytearray(sealed.read_bytes())
    position = int(where * len(data))
    data[position] ^= 1 << bit
    path.write_bytes(data)

    with SealedFile(sealed) as whole:
        inside = position < whole.seal.size
    if inside:
        with SealedFile(path) as file:
            assert list(file.damaged_blocks()) == [position // BLOCK]
    else:
        with pytest.raises(DamagedFileError, match="the seal at its end"):
            SealedFile(path)


@pytest.mark.parametrize("kept", [0, 1, 7, 8, 100, BLOCK, -1, -10, -82, -83, -500])
def test_a_file_cut_short_or_grown_is_refused(sealed, tmp_path, kept):
    (tmp_path / "a.h5").write_bytes(sealed.read_bytes()[:kept])
    with pytest.raises(DamagedFileError):
        SealedFile(tmp_path / "a.h5")

    (tmp_path / "b.h5").write_bytes(sealed.read_bytes() + b"x")
    with pytest.raises(DamagedFileError, match="seal at its end is missing"):
        SealedFile(tmp_path / "b.h5")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"hello", "not an HDF5 file"),
        (b"\x89HDF\r\n\x1a\n" + bytes(500), "the seal at its end is missing"),
    ],
)
def test_a_file_that_is_none_of_ours_is_told_apart(tmp_path, content, words):
    (tmp_path / "x").write_bytes(content)

    with pytest.raises(DamagedFileError, match=words):
        SealedFile(tmp_path / "x")


def test_a_refused_file_closes_its_descriptor_once(tmp_path):
    """Closed twice, the number may be another file's by then: that once took an event log away."""
    (tmp_path / "x").write_bytes(b"hello")
    with pytest.raises(DamagedFileError) as caught:
        SealedFile(tmp_path / "x")
    fd = os.open(tmp_path / "x", os.O_RDONLY)
    caught.value.__traceback__ = None
    del caught
    gc.collect()

    assert os.fstat(fd).st_size == 5
    os.close(fd)


def test_what_is_no_file_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "fifo")
    for path in (tmp_path / "fifo", tmp_path, tmp_path / "none"):
        with pytest.raises(DamagedFileError, match=r"cannot be|is empty"):
            SealedFile(path)


def test_hdf5_is_only_given_checked_bytes(sealed, tmp_path):
    data = bytearray(sealed.read_bytes())
    data[2 * BLOCK + 5] ^= 1
    (tmp_path / "a.h5").write_bytes(data)

    with SealedFile(tmp_path / "a.h5") as source, h5py.File(source, "r") as file:
        good = file["codes"][: BLOCK // 2]
        with h5py.File(sealed) as whole:
            assert (good == whole["codes"][: BLOCK // 2]).all()
        with pytest.raises(OSError, match="are not what was written"):
            file["codes"][:]
        assert source.damaged == 2


def test_a_block_is_named_by_its_bytes(sealed):
    fd = os.open(sealed, os.O_RDONLY)
    seal = read_seal(fd, sealed)
    os.close(fd)

    assert span(0, seal.size) == f"bytes 0 to {BLOCK - 1}"
    assert span(seal.blocks - 1, seal.size).endswith(f" to {seal.size - 1}")
