import dataclasses
import errno
import os

import pytest

from acquire.errors import BadInputError, DamagedFileError, RefusedError, StorageError
from acquire.runfile import RESERVED, Event, Findings, ShotQuality, Spool, verify


def test_a_new_spool_can_be_opened_again_and_gone_on_with(maker, tmp_path):
    maker.spool(tmp_path / "s").close()

    with Spool.open(tmp_path / "s") as spool:
        assert spool.found == Findings(shots=3)
        assert spool.header == maker.header()
        assert [i.role for i in spool.instruments] == ["scope", "switch"]
        assert [e.name for e in spool.events.read()] == ["run_started", "run_finished"]
        first = spool.shots()[0]
        assert first.header == maker.shot("00_reference_bare")
        assert first.quality == ShotQuality({"lead_current": 2}, ("a remark",))
        maker.take(spool, maker.shot("03_target_ferrite"))
        assert [e.order for e in spool.shots()] == [0, 1, 2, 3]


def test_what_was_never_committed_is_removed_and_reported(maker, tmp_path):
    maker.spool(tmp_path / "s").close()
    stray = tmp_path / "s" / "shots" / ".03_target_choke.h5.tmp"
    stray.write_bytes(b"half a shot")
    log = tmp_path / "s" / "events.jsonl"
    log.write_bytes(log.read_bytes() + b'{"at":"2025')

    with Spool.open(tmp_path / "s", writable=False) as spool:
        assert spool.found.torn_event
    assert stray.exists()

    with Spool.open(tmp_path / "s") as spool:
        assert spool.found == Findings(3, (".03_target_choke.h5.tmp",), torn_event=True)
    assert not stray.exists()


def test_only_one_process_writes_and_any_may_read(maker, tmp_path):
    with maker.spool(tmp_path / "s"):
        with pytest.raises(RefusedError, match="is writing to this run"):
            Spool.open(tmp_path / "s")
        with Spool.open(tmp_path / "s", writable=False) as reading:
            assert len(reading.shots()) == 3
            with pytest.raises(RefusedError, match="opened to read only"):
                reading.begin_shot(maker.shot("03_floor_x"))
            with pytest.raises(RefusedError, match="opened to read only"):
                reading.consolidate(
                    tmp_path / "r.h5", document_json=None, state="partial", ended=maker.start
                )


def test_a_spool_is_never_begun_over_another(maker, tmp_path):
    maker.spool(tmp_path / "s").close()
    with pytest.raises(RefusedError, match="not empty; resume the run in it"):
        Spool.create(tmp_path / "s", maker.header())
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("x")
    with pytest.raises(RefusedError, match="not empty"):
        Spool.create(tmp_path / "mine", maker.header())

    (tmp_path / "new" / "shots").mkdir(parents=True)
    (tmp_path / "new" / ".header.json.tmp").write_text("half")  # a crash before the first name
    Spool.create(tmp_path / "new", maker.header()).close()
    Spool.open(tmp_path / "s").close()  # the refusal did not keep the lock


@pytest.mark.parametrize("moment", range(3))
def test_a_disk_that_takes_no_header_leaves_no_spool(maker, tmp_path, monkeypatch, moment):
    real, calls = os.fsync, iter(range(100))

    def failing(fd):
        if next(calls) >= moment:
            raise OSError(errno.ENOSPC, "injected")
        real(fd)

    monkeypatch.setattr(os, "fsync", failing)

    with pytest.raises(StorageError):
        Spool.create(tmp_path / "s", maker.header())
    assert not (tmp_path / "s").exists()


def test_a_committed_shot_is_never_taken_again_under_its_name(maker, tmp_path):
    told = "a retake needs a number of its own"
    with maker.spool(tmp_path / "s") as spool, pytest.raises(RefusedError, match=told):
        spool.begin_shot(maker.shot("00_reference_bare"))


@pytest.mark.parametrize("quantity", [*sorted(RESERVED), "Lead", "a/b", "", "a" * 41])
def test_a_quantity_that_cannot_stand_in_a_file_is_refused(maker, tmp_path, quantity):
    shot = maker.shot("00_reference_bare", channels=(maker.channel(quantity),))
    with (
        Spool.create(tmp_path / "s", maker.header()) as spool,
        pytest.raises(BadInputError, match="a quantity cannot be called"),
    ):
        spool.begin_shot(shot)


@pytest.mark.parametrize("name", ["reference", "1_floor_x", "../00_floor_x", "00_Floor_x", "00_"])
def test_a_shot_name_that_cannot_stand_in_a_file_is_refused(maker, tmp_path, name):
    shot = dataclasses.replace(maker.shot("00_reference_bare"), name=name)
    with (
        Spool.create(tmp_path / "s", maker.header()) as spool,
        pytest.raises(BadInputError, match="expected a number, the role and the condition"),
    ):
        spool.begin_shot(shot)


@pytest.mark.parametrize(
    "changes", [{"channels": ()}, {"repeats": 0}, {"channels": "twice"}, {"channels": "infinite"}]
)
def test_a_shot_that_makes_no_sense_is_refused(maker, tmp_path, changes):
    if changes.get("channels") == "twice":
        changes = {"channels": (maker.channel("lead_current"),) * 2}
    if changes.get("channels") == "infinite":
        changes = {"channels": (maker.channel("lead_current", vertical_range=float("inf")),)}
    with Spool.create(tmp_path / "s", maker.header()) as spool, pytest.raises(BadInputError):
        spool.begin_shot(maker.shot("00_reference_bare", **changes))


BROKEN = {
    "header gone": lambda s: (s / "header.json").unlink(),
    "header changed": lambda s: (s / "header.json").write_bytes(
        (s / "header.json").read_bytes().replace(b"bay 3", b"bay 4")
    ),
    "instruments changed": lambda s: (s / "instruments.json").write_text("floorshot-spool 1 x"),
    "shot cut": lambda s: (s / "shots" / "01_floor_shorted.h5").write_bytes(
        (s / "shots" / "01_floor_shorted.h5").read_bytes()[:5000]
    ),
    "shot empty": lambda s: (s / "shots" / "01_floor_shorted.h5").write_bytes(b""),
    "shot renamed": lambda s: (s / "shots" / "01_floor_shorted.h5").rename(
        s / "shots" / "05_floor_shorted.h5"
    ),
    "strange shot": lambda s: (s / "shots" / "notes.h5").write_text("x"),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_spool_of_each_kind_gets_one_clear_message(maker, tmp_path, kind):
    maker.spool(tmp_path / "s").close()
    BROKEN[kind](tmp_path / "s")

    with pytest.raises(DamagedFileError) as caught, Spool.open(tmp_path / "s") as spool:
        assert spool.instruments
    assert str(caught.value).startswith(str(tmp_path / "s"))
    assert "\n" not in str(caught.value)
    if kind != "header gone":
        assert verify(tmp_path / "s") != []
    else:
        with pytest.raises(DamagedFileError, match=r"no header\.json in it"):
            verify(tmp_path / "s")


def test_events_are_durable_with_each_shot(maker, tmp_path, monkeypatch):
    with maker.spool(tmp_path / "s") as spool:
        spool.events.append(Event("step_started", maker.start))
        synced = []
        monkeypatch.setattr(spool.events, "sync", lambda: synced.append(True))
        maker.take(spool, maker.shot("03_floor_x"))

        assert synced == [True]
