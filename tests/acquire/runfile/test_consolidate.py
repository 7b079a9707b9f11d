import contextlib
import errno
import os
import shutil
import sys
from functools import partial

import h5py
import numpy as np
import pytest
import xarray

from acquire.errors import BadInputError, DamagedFileError, RefusedError, StorageError
from acquire.runfile import (
    RunFile,
    ShotSize,
    Spool,
    coding,
    estimate_bytes,
    refuse_without_space,
    verify,
)
from acquire.runfile.tree import LARGEST_PACKED

SHOT = ("gain", "lead_current", "offset", "quantity", "repeat", "start_time",
        "supply_voltage", "time", "trigger_time")  # fmt: skip


def _finish(spool, path, maker, **changes):
    arguments = {"document_json": maker.document, "state": "complete", "ended": maker.start}
    return spool.consolidate(path, **(arguments | changes))


def test_the_tree_is_the_contract(run_file):
    """The layout of acquire/runfile/README.md, whole: nothing missing and nothing else."""
    with h5py.File(run_file) as file:
        found: set[str] = set()
        file.visit(found.add)
        roots = set(file.attrs)

    shots = {
        f"shots/{shot}/{name}"
        for shot in ("00_reference_bare", "01_floor_shorted", "02_target_choke")
        for name in SHOT
    }
    assert found == shots | {
        "recipe", "bench", "plan", "probes", "probes/00", "probes/01", "probes/02",
        "instruments", "instruments/scope", "instruments/switch", "shots",
        "shots/00_reference_bare", "shots/01_floor_shorted", "shots/02_target_choke",
        "events", "results", "results/attenuation", "results/by_method", "results/budget",
        "results/limits",
    }  # fmt: skip
    assert roots == {
        "format", "format_version", "run_id", "recipe_sha256", "bench_sha256", "plan_sha256",
        "software", "started", "ended", "site", "state", "manifest", "manifest_sha256",
    }  # fmt: skip


def test_texts_are_exact_to_a_stranger(maker, run_file):
    with h5py.File(run_file) as file:
        assert file["recipe"].asstr()[()] == maker.recipe
        assert file["recipe"].attrs["name"] == "rack.yaml"
        assert file["results"].attrs["json"] == maker.document
        names = [file[f"probes/{n}"].attrs["name"] for n in file["probes"]]
    assert names == ["clamp", "clamp.csv", "empty"]


@pytest.mark.parametrize(
    ("shot", "order", "kind"),
    [("00_reference_bare", 0, "int8"), ("01_floor_shorted", 1, "int16")],
)
def test_xarray_gives_volts(maker, run_file, shot, order, kind):
    """An independent reader (xarray with h5netcdf, CF conventions) sees volts and seconds."""
    with xarray.open_dataset(run_file, group=f"shots/{shot}", engine="h5netcdf") as data:
        lead = data["lead_current"]
        codes = [maker.expected(order, r, "lead_current", kind=kind) for r in range(3)]
        volts = np.array(codes) * maker.trace.gain + maker.trace.offset

        assert lead.dims == ("repeat", "time")
        assert lead.attrs["units"] == "V"
        assert np.allclose(lead.values, volts, rtol=1e-12)
        assert np.allclose(data["time"].values, -2e-6 + 4e-9 * np.arange(500), rtol=1e-9)
        assert data["gain"].sel(quantity="lead_current").values.tolist() == [maker.trace.gain] * 3
        assert data["trigger_time"].values.tolist() == [0.0, 0.02, 0.04]
        assert data.attrs["role"] == shot.split("_")[1]


def test_a_gain_that_differs_between_repeats_is_never_averaged(maker, run_file):
    group = "shots/02_target_choke"
    with xarray.open_dataset(run_file, group=group, engine="h5netcdf") as data:
        codes = data["lead_current"]
        assert codes.dtype == np.int8
        assert codes.attrs["units"] == "1"
        assert "gain[quantity, repeat]" in codes.attrs["scaling"]
        volts = codes * data["gain"].sel(quantity="lead_current") + data["offset"].sel(
            quantity="lead_current"
        )
        expected = maker.expected(2, 2, "lead_current") * maker.trace.gain * 1.2
        assert np.allclose(volts[2].values, expected + maker.trace.offset, rtol=1e-12)


@pytest.mark.parametrize("group", ["/", "shots", "results", "instruments", "probes"])
def test_every_other_group_opens_in_xarray_too(run_file, group):
    with xarray.open_dataset(run_file, group=group, engine="h5netcdf") as data:
        assert data is not None


def test_a_deep_record_has_an_axis_without_values(maker, tmp_path):
    samples = LARGEST_PACKED + 1
    spool = Spool.create(tmp_path / "s", maker.header())
    channels = (maker.channel("lead_current"),)
    shot = maker.shot("00_reference_bare", 1, samples, channels=channels)
    maker.take(spool, shot, samples)
    path = _finish(spool, tmp_path / "r.h5", maker)

    with xarray.open_dataset(path, group="shots/00_reference_bare", engine="h5netcdf") as data:
        assert "time" not in data.coords
        assert data.sizes == {"repeat": 1, "time": samples, "quantity": 1}
        assert (data.attrs["time_start"], data.attrs["time_step"]) == (-2e-6, 4e-9)
        volts = data["lead_current"][0, -5:].values
    expected = maker.expected(0, 0, "lead_current", samples)[-5:] * maker.trace.gain
    assert np.allclose(volts, expected + maker.trace.offset, rtol=1e-12)
    with RunFile.open(path) as run:
        assert run.shots()[0].samples == samples
    assert verify(path) == []


def test_the_result_is_there_as_tables_too(run_file):
    with h5py.File(run_file) as file:
        row = file["results/attenuation"][0]
        assert row["condition"] == b"choke"
        assert row["reference"] == 0.31
        assert np.isnan(row["db"])
        assert row["interval_low_db"] == 28.7
        assert np.isnan(row["interval_high_db"])
        assert row["reason"].decode() == "µ"
        assert file["results/by_method"][0]["bound_low_db"] == 26.0
        assert [r["source"] for r in file["results/budget"][:]] == [b"repeatability", b"probe"]
        assert file["results/limits"][0]["verdict"] == b"pass"


def test_the_spool_goes_only_after_the_file_was_proved(maker, tmp_path, monkeypatch):
    spool = maker.spool(tmp_path / "s")

    def bad(path):
        assert (tmp_path / "s" / "shots" / "00_reference_bare.h5").exists()
        raise DamagedFileError("read back differently")

    with monkeypatch.context() as patch:
        patch.setattr(consolidate_module(), "prove", bad)
        with pytest.raises(DamagedFileError, match="read back differently"):
            _finish(spool, tmp_path / "r.h5", maker)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["s"]

    _finish(spool, tmp_path / "r.h5", maker)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.h5"]
    assert verify(tmp_path / "r.h5") == []


def consolidate_module():
    return sys.modules["acquire.runfile.consolidate"]


def test_an_existing_file_is_never_overwritten(maker, tmp_path, run_file):
    (tmp_path / "r.h5").write_text("mine")
    told = "exists and is never overwritten"
    with maker.spool(tmp_path / "s") as spool, pytest.raises(RefusedError, match=told):
        _finish(spool, tmp_path / "r.h5", maker)
    assert (tmp_path / "r.h5").read_text() == "mine"
    assert (tmp_path / "s" / "header.json").exists()


def test_another_run_under_the_name_is_not_taken_for_this_one(maker, tmp_path):
    other = Spool.create(tmp_path / "o", maker.header(run_id="20250304T091501Z-0000"))
    _finish(other, tmp_path / "r.h5", maker)
    with maker.spool(tmp_path / "s") as spool, pytest.raises(RefusedError):
        _finish(spool, tmp_path / "r.h5", maker)


def test_a_crash_before_the_tidying_is_made_good(maker, tmp_path):
    spool = maker.spool(tmp_path / "s")
    shutil.copytree(tmp_path / "s", tmp_path / "kept")
    path = _finish(spool, tmp_path / "r.h5", maker)
    before = path.read_bytes()
    shutil.copytree(tmp_path / "kept", tmp_path / "s")

    with Spool.open(tmp_path / "s") as again:
        assert _finish(again, path, maker) == path
    assert not (tmp_path / "s").exists()
    assert path.read_bytes() == before


def test_a_crash_within_the_tidying_is_made_good(maker, tmp_path, monkeypatch):
    spool = maker.spool(tmp_path / "s")
    with monkeypatch.context() as patch:
        patch.setattr(consolidate_module(), "remove_spool", lambda _: None)
        path = _finish(spool, tmp_path / "r.h5", maker)
    (tmp_path / "s" / "shots" / "01_floor_shorted.h5").unlink()

    with Spool.open(tmp_path / "s") as again:
        assert again.found.consolidated == path.absolute()
        with pytest.raises(RefusedError, match="already written to"):
            again.begin_shot(maker.shot("04_floor_x"))
        assert _finish(again, tmp_path / "elsewhere.h5", maker) == path.absolute()
    assert not (tmp_path / "s").exists()


def test_a_crash_at_any_moment_of_the_tidying_never_makes_a_finished_run_look_new(
    maker, tmp_path, monkeypatch
):
    spool = maker.spool(tmp_path / "s")
    shutil.copytree(tmp_path / "s", tmp_path / "kept")
    path = _finish(spool, tmp_path / "r.h5", maker)
    real = {name: getattr(os, name) for name in ("unlink", "rmdir")}
    for moment in range(30):
        shutil.rmtree(tmp_path / "s", ignore_errors=True)
        shutil.copytree(tmp_path / "kept", tmp_path / "s")
        calls = iter(range(1000))

        def stop(*arguments, call, moment=moment, calls=calls, **named):
            if next(calls) >= moment:
                raise KeyboardInterrupt
            return real[call](*arguments, **named)

        with Spool.open(tmp_path / "s") as again, monkeypatch.context() as patch:
            marker = tmp_path / "s" / "consolidated.json"
            coding.write_checked(marker, "marker", str(path), "closing")
            for name in real:
                patch.setattr(os, name, partial(stop, call=name))
            with contextlib.suppress(KeyboardInterrupt):
                consolidate_module().remove_spool(again.folder)
        if not (tmp_path / "s").exists():
            assert moment > 3
            return
        told = ""
        try:
            with Spool.open(tmp_path / "s") as again:
                assert again.found.consolidated == path
                _finish(again, path, maker)
        except RefusedError as error:
            told = str(error)
        except DamagedFileError:
            assert not list((tmp_path / "s").glob("*.json"))  # nothing of a run is left
            continue
        assert not (tmp_path / "s").exists()
        assert told in ("", f"{tmp_path / 's'}: this run is finished, and its run file is {path}")
    pytest.fail("the tidying never ended")


def test_a_file_that_was_moved_before_the_tidying_keeps_the_spool(maker, tmp_path, monkeypatch):
    spool = maker.spool(tmp_path / "s")
    with monkeypatch.context() as patch:
        patch.setattr(consolidate_module(), "remove_spool", lambda _: None)
        _finish(spool, tmp_path / "r.h5", maker).rename(tmp_path / "moved.h5")

    told = "not there any more; if you moved"
    with Spool.open(tmp_path / "s") as again, pytest.raises(DamagedFileError, match=told):
        _finish(again, tmp_path / "r.h5", maker)
    assert (tmp_path / "s" / "shots" / "00_reference_bare.h5").exists()


def test_a_full_disk_at_any_write_keeps_the_spool_and_leaves_no_half_file(
    maker, tmp_path, monkeypatch
):
    spool = maker.spool(tmp_path / "s")
    real = os.pwrite
    for allowed in range(0, 400, 13):
        calls = iter(range(10_000))

        def full(fd, data, position, allowed=allowed, calls=calls):
            if next(calls) >= allowed:
                raise OSError(errno.ENOSPC, "no space")
            return real(fd, data, position)

        told = ""
        try:
            with monkeypatch.context() as patch:
                patch.setattr(os, "pwrite", full)
                _finish(spool, tmp_path / "r.h5", maker)
        except StorageError as error:
            told = str(error)
        if not told:
            assert allowed > 0
            break
        assert "the disk is full" in told
        assert "MB needed" in told
        assert not (tmp_path / "r.h5").exists()
        assert sorted(p.name for p in tmp_path.iterdir()) == ["s"]
        assert len(list((tmp_path / "s" / "shots").glob("*.h5"))) == 3
    assert verify(tmp_path / "r.h5") == []


def test_no_space_is_told_before_the_first_byte(maker, tmp_path, monkeypatch):
    monkeypatch.setattr(consolidate_module(), "free_space", lambda _: 1000)
    told = r"about 4\.\d MB needed .* 1\.0 kB free"
    with maker.spool(tmp_path / "s") as spool, pytest.raises(StorageError, match=told):
        _finish(spool, tmp_path / "r.h5", maker)
    with pytest.raises(RefusedError, match=r"about 5\.0 MB needed, 1\.0 kB free"):
        refuse_without_space(tmp_path, 5_000_000)


def test_a_damaged_shot_stops_the_consolidation_and_is_named(maker, tmp_path):
    with maker.spool(tmp_path / "s") as spool:
        shot = spool.shot_path("01_floor_shorted")
        data = bytearray(shot.read_bytes())
        data[len(data) // 2] ^= 1
        shot.write_bytes(data)
        with pytest.raises(DamagedFileError, match="01_floor_shorted"):
            _finish(spool, tmp_path / "r.h5", maker)
    assert not (tmp_path / "r.h5").exists()


@pytest.mark.parametrize("document", ["", "[]", "{}", "[" * 100_000, '{"format": "other"}'])
def test_a_result_that_is_none_is_refused_before_anything_is_written(maker, tmp_path, document):
    with maker.spool(tmp_path / "s") as spool, pytest.raises(BadInputError):
        _finish(spool, tmp_path / "r.h5", maker, document_json=document)
    assert not (tmp_path / "r.h5").exists()


def test_the_same_spool_gives_the_same_bytes(maker, tmp_path):
    first = maker.run_file(tmp_path, "a.h5").read_bytes()
    second = maker.run_file(tmp_path, "b.h5").read_bytes()

    assert first == second


@pytest.mark.parametrize(
    ("repeats", "samples", "kind"),
    [(20, 100_000, "int8"), (3, 2_000_000, "int16"), (2000, 300, "int8")],
)
def test_the_estimate_covers_what_a_run_really_takes(maker, tmp_path, repeats, samples, kind):
    spool = Spool.create(tmp_path / "s", maker.header())
    shot = maker.shot("00_reference_bare", repeats, samples)
    maker.take(spool, shot, samples, kind, per_repeat=True)
    spooled = sum(p.stat().st_size for p in (tmp_path / "s").rglob("*"))
    final = _finish(spool, tmp_path / "r.h5", maker).stat().st_size

    size = ShotSize(repeats, samples, quantities=2, code_bytes=np.dtype(kind).itemsize)
    estimate = estimate_bytes([size])
    assert spooled + final <= estimate <= 1.3 * (spooled + final) + (12 << 20)
