import dataclasses

import h5py
import numpy as np
import pytest

from acquire.errors import BadInputError, DamagedFileError
from acquire.runfile import Event, RunFile
from acquire.runfile.seal import BLOCK

SHOT = "shots/00_reference_bare"


def test_everything_that_went_in_comes_out(maker, run_file):
    with RunFile.open(run_file) as run:
        assert run.header == maker.header()
        assert run.state == "complete"
        assert run.ended > run.header.started
        assert [e.name for e in run.shots()] == [
            "00_reference_bare", "01_floor_shorted", "02_target_choke",
        ]  # fmt: skip
        assert [i.role for i in run.instruments] == ["scope", "switch"]
        assert run.instruments[1].calibration_due is None
        assert [e.name for e in run.events()] == ["run_started", "run_finished"]
        assert run.events()[0] == Event("run_started", maker.start, {"site": "bay 3, µ"})
        assert run.document == maker.document


def test_a_shot_comes_out_as_it_was_taken(maker, run_file):
    with RunFile.open(run_file) as run:
        entry = run.shots()[0]
        numbers = run.numbers("02_target_choke")

    assert entry.header == maker.shot("00_reference_bare")
    assert (entry.order, entry.step, entry.role, entry.condition, entry.repeats) == (
        0, 10, "reference", "bare", 3,
    )  # fmt: skip
    assert entry.ranges == {"supply_voltage": 8.0, "lead_current": 0.4}
    assert entry.quality.clipped == {"lead_current": 2}
    assert (entry.samples, entry.interval) == (500, 4e-9)
    assert numbers.preambles["lead_current"] == ["0", "1", "2"]
    assert np.allclose(numbers.gain[0] / maker.trace.gain, [1.0, 1.1, 1.2])


def test_codes_come_lazily_and_exactly(maker, run_file):
    with RunFile.open(run_file) as run:
        block = run.trace_block("01_floor_shorted", "lead_current", slice(1, 3), slice(10, 20))
        traces = list(run.codes("01_floor_shorted", "lead_current"))
        with pytest.raises(BadInputError, match="no shot '99_floor_x'"):
            run.trace_block("99_floor_x", "lead_current")
        with pytest.raises(BadInputError, match="no quantity 'x'; it has supply_voltage, lead_c"):
            run.trace_block("01_floor_shorted", "x")

    assert block.dtype == np.int16
    assert block.shape == (2, 10)
    for repeat, trace in enumerate(traces):
        assert (trace == maker.expected(1, repeat, "lead_current", kind="int16")).all()


def test_captures_are_what_the_analysis_wants(maker, run_file):
    with RunFile.open(run_file) as run:
        captures = run.captures({"lead_current": maker.transducers["lead_current"]})

    assert [c.shot for c in captures] == [
        "00_reference_bare",
        "01_floor_shorted",
        "02_target_choke",
    ]
    last = captures[2]
    assert last.codes.dtype == np.int8
    assert last.clipped == 2
    assert last.trigger_time.tolist() == [0.0, 0.02, 0.04]
    expected = [
        maker.expected(2, r, "lead_current") * maker.trace.gain * (1 + r / 10) + maker.trace.offset
        for r in range(3)
    ]
    assert np.allclose(last.volts(), expected, rtol=1e-12)
    assert np.allclose(last.values(), np.array(expected) / 5.0, rtol=1e-12)


def test_captures_from_the_spool_are_the_same(maker, tmp_path):
    spool = maker.spool(tmp_path / "s")
    before = spool.captures(maker.transducers)
    spool.consolidate(tmp_path / "r.h5", document_json=None, state="partial", ended=maker.start)
    with RunFile.open(tmp_path / "r.h5") as run:
        after = run.captures(maker.transducers)
        assert run.document is None
        assert run.results == ()
        assert run.state == "partial"

    assert len(before) == len(after) == 6
    for a, b in zip(before, after, strict=True):
        for field in dataclasses.fields(a):
            left, right = getattr(a, field.name), getattr(b, field.name)
            same = np.array_equal(left, right) if hasattr(left, "shape") else left == right
            assert same, field.name
            assert getattr(left, "dtype", None) == getattr(right, "dtype", None)


def _attribute(place, name, value):
    def change(file):
        file[place].attrs[name] = value

    return change


def _without(place):
    def change(file):
        del file[place]

    return change


def _instead(place, **arguments):
    def change(file):
        del file[place]
        file.create_dataset(place, **arguments)

    return change


def _reshaped(place, shape):
    def change(file):
        attributes = dict(file[place].attrs)
        attributes.pop("DIMENSION_LIST")
        del file[place]
        file.create_dataset(place, data=np.zeros(shape, "i1")).attrs.update(attributes)

    return change


def _no_attribute(place, name):
    def change(file):
        del file[place].attrs[name]

    return change


BAD = [
    (_attribute("/", "format", "other"), "format 'other'; expected 'floorshot-run'"),
    (_attribute("/", "format_version", 2), "format version 2; this program reads up to 1"),
    (_attribute("/", "format_version", "x"), "cannot be read"),
    (_no_attribute("/", "format_version"), "cannot be read"),
    (_no_attribute("/", "run_id"), "cannot be read"),
    (_attribute("/", "run_id", 5), "run_id"),
    (_attribute("/", "started", "noon"), "'noon' is not a time"),
    (_without("recipe"), "the text /recipe is missing"),
    (_without("shots"), "the group /shots is missing"),
    (_without("probes"), "the group /probes is missing"),
    (_attribute("recipe", "bytes", 1 << 40), "bytes said"),
    (_instead("plan", data=np.zeros(3)), "the text /plan is missing"),
    (_instead("bench", data=np.array(b"\xff\xfe")), "/bench"),
    (_without(f"{SHOT}/gain"), "the dataset 'gain' is missing"),
    (_without(f"{SHOT}/lead_current"), "the dataset 'lead_current' is missing"),
    (_instead(f"{SHOT}/gain", data=np.zeros((2, 4))), "expected floats"),
    (_instead(f"{SHOT}/gain", data=np.full((2, 3), np.nan)), "not finite"),
    (_instead(f"{SHOT}/trigger_time", data=np.zeros(3, "i4")), "expected floats"),
    (_instead(f"{SHOT}/lead_current", data=np.zeros((3, 500), "f4")), "expected int8 or int16"),
    (_reshaped(f"{SHOT}/lead_current", (2, 500)), "differ in shape"),
    (_reshaped(f"{SHOT}/lead_current", (3, 400)), "differ in shape"),
    (_instead(f"{SHOT}/quantity", data=np.array([b"time"])), "expected int8 or int16|cannot be"),
    (_instead(f"{SHOT}/quantity", data=np.array([b"\xff"])), "/shots/00_reference_bare"),
    (_attribute(SHOT, "repeats", 10**9), "differ in shape"),
    (_attribute(SHOT, "role", "hero"), "role"),
    (_attribute(SHOT, "order", "first"), "order"),
    (_attribute(SHOT, "settings", "[1, 2]"), "dictionary|object|settings"),
    (_attribute(SHOT, "quality", "{" * 10_000), "JSON"),
    (_attribute(f"{SHOT}/lead_current", "bits", "many"), "bits"),
    (_no_attribute(f"{SHOT}/lead_current", "probe"), "cannot be read"),
]


@pytest.mark.parametrize(("change", "words"), BAD, ids=map(str, range(len(BAD))))
def test_a_broken_run_file_gets_one_clear_message(maker, run_file, tmp_path, change, words):
    path = maker.edit(run_file, tmp_path / "a.h5", change)

    with pytest.raises(DamagedFileError, match=words) as caught:
        RunFile.open(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).count(str(path)) == 1


LATER = [
    (_attribute("/", "state", "happy"), lambda run: run.state, "no state of a run"),
    (_attribute("/", "ended", "noon"), lambda run: run.ended, "not a time"),
    (_without("events"), lambda run: run.events(), "table of events is missing"),
    (_instead("events", data=np.zeros(3)), lambda run: run.events(), "table of events is missing"),
    (_attribute("results", "made", "x"), lambda run: run.results, "not a time"),
    (_no_attribute("results", "software"), lambda run: run.results, "cannot be read"),
    (_attribute("instruments/scope", "settings", "x"), lambda run: run.instruments, "JSON"),
    (_without("results"), lambda run: run.document, "group /results is missing"),
]


@pytest.mark.parametrize(("change", "use", "words"), LATER, ids=map(str, range(len(LATER))))
def test_a_broken_part_is_told_when_it_is_used(maker, run_file, tmp_path, change, use, words):
    path = maker.edit(run_file, tmp_path / "a.h5", change)

    with RunFile.open(path) as run:
        assert len(run.shots()) == 3
        with pytest.raises(DamagedFileError, match=words):
            use(run)


def test_bad_rows_of_events_are_told(maker, run_file, tmp_path):
    def change(file):
        row = file["events"][0]
        row["data"] = b"[1]"
        file["events"][0] = row

    with (
        RunFile.open(maker.edit(run_file, tmp_path / "a.h5", change)) as run,
        pytest.raises(DamagedFileError, match="/events"),
    ):
        run.events()


def test_a_damaged_trace_never_comes_out_and_the_rest_stays_readable(maker, tmp_path):
    spool = maker.spool(tmp_path / "s")
    deep = 3 * BLOCK
    maker.take(spool, maker.shot("03_reference_bare", samples=deep), samples=deep)
    path = spool.consolidate(
        tmp_path / "r.h5", document_json=None, state="complete", ended=maker.start
    )
    with h5py.File(path) as file:
        dataset = file["shots/03_reference_bare/lead_current"]
        offset = dataset.id.get_chunk_info_by_coord((1, 0)).byte_offset
    data = bytearray(path.read_bytes())
    data[offset + deep // 2] ^= 0x20
    path.write_bytes(data)

    with RunFile.open(path) as run:
        traces = run.trace_block("03_reference_bare", "lead_current", slice(2, 3))
        assert (traces[0] == maker.expected(3, 2, "lead_current", deep)).all()
        with pytest.raises(DamagedFileError, match="/shots/03_reference_bare/lead_current"):
            run.trace_block("03_reference_bare", "lead_current", slice(1, 2))


def test_closing_twice_is_harmless(run_file):
    run = RunFile.open(run_file)
    run.close()
    run.close()
