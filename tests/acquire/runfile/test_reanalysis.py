import errno
import os
from datetime import timedelta

import pytest

from acquire.errors import BadInputError, DamagedFileError, RefusedError, StorageError
from acquire.runfile import RunFile, add_result, reanalysis, verify


@pytest.fixture
def run(maker, tmp_path):
    return maker.run_file(tmp_path)


def test_a_later_result_stands_beside_the_first(maker, run):
    second = maker.document.replace("28.7", "29.1")
    later = maker.start + timedelta(days=1)

    name = add_result(run, second, software="floorshot 0.2", made=later, recipe_text="title: x\n")

    assert name == "again_01"
    assert verify(run) == []
    with RunFile.open(run) as file:
        first, again = file.results
        assert first.document == maker.document
        assert (again.name, again.document) == ("again_01", second)
        assert (again.made, again.software) == (later, "floorshot 0.2")
        assert again.recipe_text == "title: x\n"
        assert file.document == second
        assert [e.name for e in file.events()] == ["run_started", "run_finished"]
    assert sorted(p.name for p in run.parent.iterdir()) == ["run.h5"]


def test_any_number_of_results(maker, run):
    names = [add_result(run, maker.document, software="x", made=maker.start) for _ in range(3)]

    assert names == ["again_01", "again_02", "again_03"]
    with RunFile.open(run) as file:
        assert [r.name for r in file.results] == ["", *names]
    assert verify(run) == []


def test_the_same_inputs_give_the_same_bytes(maker, tmp_path):
    files = [maker.run_file(tmp_path, name) for name in ("a.h5", "b.h5")]
    for path in files:
        add_result(path, maker.document, software="x", made=maker.start)

    assert files[0].read_bytes() == files[1].read_bytes()


def test_a_run_without_a_result_can_get_one(maker, tmp_path):
    spool = maker.spool(tmp_path / "s")
    path = spool.consolidate(
        tmp_path / "r.h5", document_json=None, state="partial", ended=maker.start
    )
    add_result(path, maker.document, software="x")

    with RunFile.open(path) as file:
        assert [r.name for r in file.results] == ["again_01"]


def test_a_damaged_file_is_refused_and_left_alone(maker, run):
    data = bytearray(run.read_bytes())
    data[len(data) // 3] ^= 1
    run.write_bytes(data)

    with pytest.raises(DamagedFileError):
        add_result(run, maker.document, software="x")
    assert run.read_bytes() == bytes(data)


def test_a_disk_that_fails_leaves_the_file_as_it_was(maker, run, monkeypatch):
    before = run.read_bytes()
    real = os.pwrite
    for allowed in range(0, 400, 9):
        calls = iter(range(10_000))

        def full(fd, data, position, allowed=allowed, calls=calls):
            if next(calls) >= allowed:
                raise OSError(errno.EIO, "broken")
            return real(fd, data, position)

        told = ""
        try:
            with monkeypatch.context() as patch:
                patch.setattr(os, "pwrite", full)
                add_result(run, maker.document, software="x")
        except StorageError as error:
            told = str(error)
        if not told:
            assert allowed > 0
            break
        assert "adding a result to the run file failed" in told
        assert run.read_bytes() == before
        assert sorted(p.name for p in run.parent.iterdir()) == ["run.h5"]
    assert verify(run) == []


def test_a_copy_that_differs_is_not_put_in_place(maker, run, monkeypatch):
    before = run.read_bytes()
    real = reanalysis.write_result

    def meddling(group, *arguments, **named):
        real(group, *arguments, **named)
        group.file["shots/00_reference_bare"].attrs["condition"] = "other"

    monkeypatch.setattr(reanalysis, "write_result", meddling)
    with pytest.raises(DamagedFileError, match="@condition is not what was written; not replaced"):
        add_result(run, maker.document, software="x")
    assert run.read_bytes() == before


def test_no_space_and_no_document_are_refused(maker, run, monkeypatch):
    with pytest.raises(BadInputError, match="not JSON"):
        add_result(run, "{", software="x")

    def refuse(folder, needed):
        raise RefusedError(f"{needed}")

    monkeypatch.setattr(reanalysis, "refuse_without_space", refuse)
    with pytest.raises(RefusedError) as caught:
        add_result(run, maker.document, software="x")
    assert int(str(caught.value)) > run.stat().st_size
