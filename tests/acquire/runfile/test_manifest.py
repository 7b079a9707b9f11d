import hashlib
import json

import h5py
import numpy as np
import pytest

from acquire.errors import DamagedFileError
from acquire.runfile.manifest import (
    RowDigests,
    blocks,
    differences,
    read_manifest,
    store_manifest,
    take_manifest,
)
from acquire.runfile.tree import walk


def test_a_digest_is_sha256_of_the_plain_values(maker, run_file):
    """hashlib over the little-endian codes, as anybody can compute it."""
    with h5py.File(run_file) as file:
        manifest = json.loads(file.attrs["manifest"])
        digest = hashlib.sha256(file.attrs["manifest"].encode()).hexdigest()
        recipe = manifest["/recipe"]
        assert digest == file.attrs["manifest_sha256"]

    rows = manifest["/shots/01_floor_shorted/lead_current"]["rows"]
    codes = maker.expected(1, 2, "lead_current", kind="int16")
    assert rows[2] == hashlib.sha256(codes.astype("<i2").tobytes()).hexdigest()
    assert recipe["sha256"] == hashlib.sha256(maker.recipe.encode()).hexdigest()


@pytest.mark.parametrize("shape", [(3, 5), (2000, 700), (2, 2_500_000), (1, 1), (5, 1 << 20)])
def test_blocks_cover_a_dataset_once_and_in_order(tmp_path, shape):
    codes = np.random.default_rng(1).integers(-128, 128, shape, np.int8)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        dataset = file.create_dataset("x", data=codes, chunks=(1, min(shape[1], 1 << 20)))
        digests, again = RowDigests(), np.zeros(shape, np.int8)
        for row, start, block in blocks(dataset):
            assert block.size <= 1 << 20
            again[row : row + len(block), start : start + block.shape[1]] += block
            digests.update(row, block)

    assert (again == codes).all()
    assert digests.done() == [hashlib.sha256(row.tobytes()).hexdigest() for row in codes]


def _changed(maker, run_file, tmp_path, change):
    path = maker.edit(run_file, tmp_path / "a.h5", change)
    with h5py.File(path) as file:
        return differences(read_manifest(file, path), take_manifest(walk(file, path), path))


def _one_code(file):
    file["shots/02_target_choke/supply_voltage"][1, 77] ^= 1


def _retyped(file):
    values = file["shots/00_reference_bare/trigger_time"][:].astype("f4")
    del file["shots/00_reference_bare/trigger_time"]
    file["shots/00_reference_bare/trigger_time"] = values


def _text(file):
    file["bench"][()] = b"floorshot_bench: 2\n"


def _event(file):
    row = file["events"][1]
    row["name"] = b"run_improved"
    file["events"][1] = row


CHANGES = [
    (_one_code, "/shots/02_target_choke/supply_voltage[1]", "trace"),
    (_text, "/bench", "values"),
    (_event, "/events", "values"),
    (_retyped, "/shots/00_reference_bare/trigger_time", "dtype"),
    (lambda f: f["results"].attrs.__setitem__("json", "{}"), "/results@json", "not what"),
    (lambda f: f.attrs.__setitem__("site", "x"), "/@site", "not what"),
    (lambda f: f["plan"].attrs.__setitem__("more", 1), "/plan@more", "not what"),
    (lambda f: f["plan"].attrs.__delitem__("name"), "/plan@name", "missing"),
    (lambda f: f.__delitem__("shots/01_floor_shorted"), "/shots/01_floor_shorted", "missing"),
    (lambda f: f.create_group("shots/09_floor_x"), "/shots/09_floor_x", "not part of"),
]


@pytest.mark.parametrize(("change", "place", "words"), CHANGES, ids=map(str, range(len(CHANGES))))
def test_every_change_is_named(maker, run_file, tmp_path, change, place, words):
    found = _changed(maker, run_file, tmp_path, change)

    assert any(p == place and words in text for p, text in found), found


def test_nothing_is_found_where_nothing_changed(maker, run_file, tmp_path):
    assert _changed(maker, run_file, tmp_path, lambda _: None) == []


@pytest.mark.parametrize("text", ["{", "[]", '{"/": 1}'])
def test_a_manifest_that_is_none_is_told(tmp_path, text):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        store_manifest(file, {})
        file.attrs["manifest"] = text
        with pytest.raises(DamagedFileError, match="@manifest: not what was written"):
            read_manifest(file, tmp_path / "a.h5")
        file.attrs["manifest_sha256"] = hashlib.sha256(text.encode()).hexdigest()
        with pytest.raises(DamagedFileError, match="@manifest"):
            read_manifest(file, tmp_path / "a.h5")
