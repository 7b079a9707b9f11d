"""What the seal finds is in test_seal.py, for every bit; here: that the place is named."""

import random
import shutil

import h5py
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acquire.errors import DamagedFileError
from acquire.runfile import Spool, examine, verify


def _flip(path, position, bit=0x04):
    data = bytearray(path.read_bytes())
    data[position] ^= bit
    path.write_bytes(data)


@pytest.fixture
def copy(run_file, tmp_path):
    return shutil.copy(run_file, tmp_path / "a.h5")


def _chunk(path, place):
    with h5py.File(path) as file:
        return file[place].id.get_chunk_info(0).byte_offset


def _found(path):
    return {damage.place: damage.found for damage in verify(path)}


def test_a_whole_run_file_and_a_whole_spool_have_no_damage(maker, run_file, tmp_path):
    with maker.spool(tmp_path / "s") as spool:
        assert verify(spool.folder) == []
    assert verify(run_file) == []


def test_a_flipped_code_is_named_to_the_trace(copy):
    start = _chunk(copy, "shots/01_floor_shorted/lead_current")
    _flip(copy, start + 1 * 500 * 2 + 300)  # second trace of int16 codes; three share the chunk

    found = _found(copy)
    assert "/shots/01_floor_shorted/lead_current[1]" in found
    assert [p for p in found if "lead_current" in p] == ["/shots/01_floor_shorted/lead_current[1]"]
    assert any(place.startswith("bytes 0 to ") for place in found)


@pytest.mark.parametrize(
    ("needle", "place"),
    [
        (b"Bonding lead", "/recipe"),
        (b"floorshot_bench: 1", "/bench"),
        (b'{"steps":[]}', "/plan"),
        (b"1e6,5", "/probes/01"),
        (b"run_finished", "/events"),
        (b"QV-3054", "/instruments/scope@idn"),
        (b'"format": "floorshot-result"', "/results@json"),
        (b"rmsrepeatability", "/results/budget"),
        (b"wind tunnel, bay 3", "/@site"),
        (b"a remark", "@quality"),
        (b"TRIGger:LEVel", "@settings"),
    ],
    ids=str,
)
def test_flipped_texts_attributes_and_results_are_named(copy, needle, place):
    position = copy.read_bytes().index(needle)
    _flip(copy, position + 2)

    found = _found(copy)
    assert any(p.endswith(place) for p in found), found


def test_a_damaged_seal_is_told_apart_from_damaged_data(copy):
    _flip(copy, copy.stat().st_size - 100)

    assert _found(copy) == {"seal": "the seal at its end is damaged"}


def test_a_file_that_a_tool_changed_is_named_to_the_place(copy):
    with h5py.File(copy, "r+") as file:
        file["shots/00_reference_bare"].attrs["condition"] = "better"

    found = _found(copy)
    assert "seal at its end is missing" in found["seal"]
    assert "/shots/00_reference_bare@condition" in found


def test_a_file_cut_short_is_told(copy):
    copy.write_bytes(copy.read_bytes()[: copy.stat().st_size // 2])

    found = _found(copy)
    assert "seal at its end is missing: the file is cut short" in found["seal"]
    assert "structure" in found


@pytest.mark.parametrize(
    ("content", "words"), [(b"", "the file is empty"), (b"x" * 5000, "not an HDF5 file")]
)
def test_what_is_no_run_file_is_told(tmp_path, content, words):
    (tmp_path / "a").write_bytes(content)
    (damage,) = verify(tmp_path / "a")
    assert words in str(damage)


def test_what_is_not_there_is_refused(tmp_path):
    for path, words in ((tmp_path / "x", "no such file"), (tmp_path, "not a spooled run")):
        with pytest.raises(DamagedFileError, match=words):
            verify(path)


def test_damage_in_any_file_of_a_spool_is_named(maker, tmp_path):
    with maker.spool(tmp_path / "s") as spool:
        shot = spool.shot_path("02_target_choke")
    _flip(shot, _chunk(shot, "shots/02_target_choke/lead_current") + 501)
    for name in ("header.json", "instruments.json"):
        path = tmp_path / "s" / name
        _flip(path, path.stat().st_size // 2, 0x01)
    log = tmp_path / "s" / "events.jsonl"
    _flip(log, log.read_bytes().index(b"bay 3"), 0x01)

    places = {(d.file.rsplit("/", 1)[1], d.place) for d in verify(tmp_path / "s")}
    assert {
        ("header.json", ""),
        ("instruments.json", ""),
        ("events.jsonl", "line 1"),
        ("02_target_choke.h5", "/shots/02_target_choke/lead_current[1]"),
    } <= places
    with pytest.raises(DamagedFileError, match=r"header\.json"):
        Spool.open(tmp_path / "s")


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(where=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7))
def test_any_flipped_bit_of_a_run_file_is_found(run_file, tmp_path_factory, where, bit):
    """Every byte is covered: data, texts, attributes, HDF5's own structure, unused space, seal."""
    path = tmp_path_factory.mktemp("flip") / "a.h5"
    shutil.copy(run_file, path)
    _flip(path, int(where * path.stat().st_size), 1 << bit)

    # The naming, in a process of its own, is slow; what it is called with is what counts here.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(examine, "_damaged", lambda _: [])
        assert examine.verify(path, "floorshot-run") != []


@pytest.mark.parametrize("seed", range(8))
def test_verify_outlives_whatever_damage_does_to_hdf5(run_file, tmp_path, seed):
    generator = random.Random(seed)
    data = bytearray(run_file.read_bytes())
    for _ in range(50):
        position = generator.randrange(min(60_000, len(data)))
        data[position] = generator.randrange(256)
    (tmp_path / "a.h5").write_bytes(data)

    assert verify(tmp_path / "a.h5") != []
