"""The demo as a stranger meets it: one process, then what other people's tools make of its file."""

import json

import h5py
import jsonschema
import numpy as np
import pytest
import xarray

pytestmark = pytest.mark.timeout(400)  # several whole runs, on a machine that may be busy

CANDIDATES = ("damped_choke", "triple_core", "air_coil")


@pytest.fixture(scope="module")
def demo(tmp_path_factory, program_in):
    """One run of the demo, shared by the tests below: (program, finished process)."""
    program = program_in(tmp_path_factory.mktemp("demo"))
    return program, program.run("demo", "--seed", "3")


@pytest.fixture(scope="module")
def run_file(demo):
    program, _ = demo
    (found,) = (program.folder / "demo").glob("*.h5")
    return found


def test_the_whole_chain_runs_and_says_where_the_file_is(demo, run_file):
    program, done = demo

    assert done.returncode == 0, done.stderr
    assert f"Run file: demo/{run_file.name}" in done.stdout
    assert sorted(path.name for path in (program.folder / "demo").iterdir()) == sorted(
        [run_file.name, "simulated_bench.yaml"]
    )


def test_it_shows_plan_cautions_progress_and_a_table(demo):
    _, done = demo

    assert "reference shot in bare" in done.stdout
    assert done.stderr.count("CAUTION") >= 6
    assert "shot 01_reference_bare stored" in done.stderr
    assert "computing the result" in done.stderr
    assert "continuity of damped_choke" in done.stderr
    for word in ("Candidate", "Reference", "Residual", "Floor", "Attenuation", *CANDIDATES):
        assert word in done.stdout
    assert "How each number of lead_current was made" in done.stdout
    assert "Largest u [dB]" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_it_says_what_a_data_sheet_needs_beside_the_numbers(demo):
    _, done = demo

    for words in (
        "wind tunnel, force-balance rack (simulated)",
        "bonding_lead.yaml (SHA-256 ",
        "intervals at 95 % coverage",
        "QUILLMOOR INSTRUMENTS,QV-3054,QS",
        "serial QL05-0117; transfer impedance 5 ohm; uncertainty 3 % (k = 2);",
        "calibration due 2099-12-31",
        "32 a shot, ",
    ):
        assert words in " ".join(done.stdout.split()), words
    assert [line for line in done.stdout.splitlines() if line != line.rstrip()] == []


def test_nothing_is_animated_where_no_terminal_is(demo):
    _, done = demo

    assert "\x1b" not in done.stdout + done.stderr
    assert "\r" not in done.stdout + done.stderr


def test_the_candidates_come_out_as_the_scenario_means_them(demo, run_file):
    """One clearly good, one at the floor or nearly, one that disappoints."""
    program, _ = demo
    document = json.loads(program.run("show", run_file, "--json").stdout)
    rms = {
        result["condition"]: result["attenuation"]
        for result in document["results"]
        if result["measure"] == "rms" and result["quantity"] == "lead_current"
    }

    assert set(rms) == set(CANDIDATES)
    assert rms["damped_choke"]["state"] == "resolved"
    assert rms["damped_choke"]["db"] > 20
    assert rms["triple_core"]["interval_db"][0] > rms["damped_choke"]["interval_db"][0]
    assert rms["air_coil"]["state"] == "resolved"
    assert rms["air_coil"]["db"] < 6


def test_each_shot_opens_with_xarray_and_yields_volts(run_file):
    with h5py.File(run_file) as file:
        names = list(file["shots"])
        codes = file["shots/01_reference_bare/lead_current"]
        assert codes.dtype in (np.int8, np.int16)
        repeats, samples = codes.shape
        first = codes[0, :].astype(float)
        if "scale_factor" in codes.attrs:
            expected = first * codes.attrs["scale_factor"] + codes.attrs["add_offset"]
        else:
            expected = None
    assert len(names) >= 6

    for name in names:
        with xarray.open_dataset(run_file, group=f"shots/{name}", engine="h5netcdf") as shot:
            trace = shot["lead_current"]
            assert trace.dims == ("repeat", "time")
            assert trace.dtype.kind == "f"
            assert trace.attrs["units"] == "V"
            assert shot["time"].attrs["units"] == "s"
            assert np.isfinite(trace.values).all()
            if name == "01_reference_bare":
                assert trace.shape == (repeats, samples)
                # 1.25 A through 5 ohm: some volts, not codes of some dozens
                assert 1.0 < np.abs(trace.values).max() < 20.0
                if expected is not None:
                    np.testing.assert_allclose(trace.values[0], expected, rtol=1e-6)


def test_the_tree_is_that_of_the_contract(run_file):
    with h5py.File(run_file) as file:
        seen = []
        file.visit(seen.append)
        attributes = dict(file.attrs)
        shot = file["shots/01_reference_bare"]

        assert attributes["format"] == "floorshot-run"
        for name in (
            "format_version",
            "run_id",
            "recipe_sha256",
            "bench_sha256",
            "plan_sha256",
            "software",
            "started",
            "ended",
            "site",
            "state",
        ):
            assert name in attributes
        assert attributes["state"] == "complete"
        for place in ("recipe", "bench", "events", "results", "instruments", "shots"):
            assert place in seen
        for role in ("scope", "switch", "ohmmeter"):
            assert file[f"instruments/{role}"].attrs["idn"].startswith("QUILLMOOR INSTRUMENTS,")
        assert "trigger_time" in shot
        assert shot.attrs["role"] == "reference"
        assert shot.attrs["condition"] == "bare"
        assert json.loads(file["results"].attrs["json"])["format"] == "floorshot-result"


def test_the_result_validates_against_the_shipped_schema(demo, run_file):
    program, _ = demo
    shown = program.run("show", run_file, "--json")
    schema = json.loads(program.run("schema", "result").stdout)

    assert shown.returncode == 0
    assert "NaN" not in shown.stdout
    assert "Infinity" not in shown.stdout
    jsonschema.validate(json.loads(shown.stdout), schema, cls=jsonschema.Draft202012Validator)


def test_the_file_verifies_and_a_flipped_byte_is_found(demo, run_file, tmp_path):
    program, _ = demo
    whole = program.run("verify", run_file)
    assert (whole.returncode, whole.stderr) == (0, "")
    assert "whole" in whole.stdout

    content = bytearray(run_file.read_bytes())
    with h5py.File(run_file) as file:
        trace = file["shots/01_reference_bare/lead_current"]
        place = trace.id.get_chunk_info(0).byte_offset + 100
    content[place] ^= 0x10
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(bytes(content))

    found = program.run("verify", damaged)
    assert found.returncode == 2
    assert "01_reference_bare" in found.stderr
    assert "Traceback" not in found.stderr


def test_a_later_analysis_stands_beside_the_first(demo, run_file, tmp_path):
    program, _ = demo
    copy = tmp_path / "copy.h5"
    copy.write_bytes(run_file.read_bytes())
    before = program.run("show", copy, "--json").stdout

    again = program.run(
        "reanalyse", copy, "--correction", "power", "--coverage", "99 %", "--measure", "rms"
    )

    assert again.returncode in (0, 1, 3), again.stderr
    assert "again_01" in again.stdout
    assert program.run("show", copy, "--json", "--analysis", "first").stdout == before
    latest = json.loads(program.run("show", copy, "--json").stdout)
    assert {r["measure"] for r in latest["results"]} == {"rms"}
    assert {r["attenuation"]["coverage"] for r in latest["results"]} == {0.99}
    assert {
        r["attenuation"]["method"] for r in latest["results"] if r["quantity"] == "lead_current"
    } == {"power"}
    assert program.run("verify", copy).returncode == 0


def test_the_same_reanalysis_gives_the_same_bytes(demo, run_file, tmp_path):
    program, _ = demo
    texts = []
    for name in ("one.h5", "two.h5"):
        copy = tmp_path / name
        copy.write_bytes(run_file.read_bytes())
        done = program.run("reanalyse", copy, "--correction", "coherent", "--measure", "rms")
        assert done.returncode in (0, 1, 3), done.stderr
        texts.append(program.run("show", copy, "--json").stdout)

    assert texts[0] == texts[1]
