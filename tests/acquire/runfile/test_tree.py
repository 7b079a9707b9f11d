"""A run file may come from anywhere: each of these was made by a stranger who knows the seal."""

import h5py
import numpy as np
import pytest

from acquire.errors import DamagedFileError
from acquire.runfile import RunFile, verify
from acquire.runfile.tree import LARGEST_PACKED, walk

SHOT = "shots/00_reference_bare"


def _replace(file, place, **arguments):
    del file[place]
    file.create_dataset(place, **arguments)


def _soft(file):
    file["shots/03_target_x"] = h5py.SoftLink("/shots/00_reference_bare")


def _external(file):
    file["probes/99"] = h5py.ExternalLink("/etc/hostname", "/x")


def _hard_cycle(file):
    file["shots/self"] = file["shots"]


def _virtual(file):
    del file[f"{SHOT}/lead_current"]
    layout = h5py.VirtualLayout((3, 500), "i1")
    layout[:] = h5py.VirtualSource("elsewhere.h5", "x", (3, 500))
    file.create_virtual_dataset(f"{SHOT}/lead_current", layout)


def _stored_elsewhere(file):
    place = f"{SHOT}/lead_current"
    external = [("elsewhere.bin", 0, 1500)]
    _replace(file, place, shape=(3, 500), dtype="i1", external=external)


def _huge_and_empty(file):
    place = f"{SHOT}/lead_current"
    _replace(file, place, shape=(3, 1 << 50), dtype="i1", chunks=(1, 1 << 20))


def _bomb(file):
    zeros = {"chunks": (1, 1 << 20), "compression": "gzip"}
    _replace(file, f"{SHOT}/lead_current", shape=(3, 1 << 24), dtype="i1", fillvalue=0, **zeros)
    file[f"{SHOT}/lead_current"][:] = 0


def _axis_bomb(file):
    n = LARGEST_PACKED + 1
    file.create_dataset(f"{SHOT}/x", data=np.zeros(n, "i1"), chunks=(1 << 16,), compression="gzip")


def _objects(file):
    kind = h5py.string_dtype()
    _replace(file, f"{SHOT}/quantity", data=["lead_current", "supply_voltage"], dtype=kind)


def _deep(file):
    file.create_group("shots/a/b/c/d/e")


def _odd_name(file):
    file.create_group("shots/..\nrm -rf")


def _named_type(file):
    file["type"] = np.dtype("i4")


def _array_attribute(file):
    file[SHOT].attrs["role"] = np.zeros(5000)


def _object_attribute(file):
    file[SHOT].attrs["role"] = file.ref


STRUCTURE = [
    (_soft, "SoftLink to elsewhere"),
    (_external, "ExternalLink to elsewhere"),
    (_hard_cycle, "same object under two names"),
    (_virtual, "in another file"),
    (_stored_elsewhere, "in another file"),
    (_huge_and_empty, "claims"),
    (_bomb, "compressed in a way"),
    (_axis_bomb, "compressed in a way"),
    (_objects, "none that we write"),
    (_deep, "nested or filled beyond"),
    (_odd_name, "not a name we write"),
    (_named_type, "neither a group nor a dataset"),
    (_array_attribute, "not a text or number"),
    (_object_attribute, "not a text or number"),
]


@pytest.mark.parametrize(("change", "words"), STRUCTURE)
def test_what_no_run_file_contains_is_refused_in_one_message(
    maker, run_file, tmp_path, change, words
):
    path = maker.edit(run_file, tmp_path / "a.h5", change)

    with pytest.raises(DamagedFileError, match=words) as caught:
        RunFile.open(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")
    assert any(words in str(damage) for damage in verify(path))


def test_a_file_of_ours_passes(run_file):
    with h5py.File(run_file) as file:
        places = [place for place, _ in walk(file, run_file)]

    assert places[0] == "/"
    assert "/shots/00_reference_bare/lead_current" in places
