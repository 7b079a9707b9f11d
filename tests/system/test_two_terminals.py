"""`simulate` in one process, `check` and `run` in others, as from two terminals."""

import json
import re

import pytest

pytestmark = pytest.mark.timeout(400)  # several whole runs, on a machine that may be busy

DIALECTS = ("keysight_infiniivision", "tektronix")


def test_check_and_run_work_against_the_printed_bench(program, simulated, short_recipe):
    bench, _ = simulated("bench.yaml")

    checked = program.run("check", short_recipe, "--bench", bench)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    for word in ("scope", "switch", "ohmmeter", "record", "bandwidth", "disk space", "calibration"):
        assert word in checked.stdout
    assert "The run would start" in checked.stdout

    done = program.run("run", short_recipe, "--bench", bench)
    assert done.returncode in (0, 1, 3), done.stderr
    (run_file,) = (program.folder / "runs").glob("*.h5")
    assert f"Run file: runs/{run_file.name}" in done.stdout
    assert not list((program.folder / "runs").glob("*.spool"))

    shown = program.run("show", run_file)
    assert shown.returncode == 0
    assert shown.stdout.strip() in done.stdout
    events = [
        json.loads(line) for line in program.run("show", run_file, "--events").stdout.splitlines()
    ]
    assert [e["name"] for e in events].count("shot_stored") >= 6
    assert events[0]["at"] <= events[-1]["at"]


def test_the_exit_code_follows_the_limits(program, simulated, short_recipe):
    """The air coil takes a few dB: asking half a dB of it passes, asking 60 dB fails."""
    bench, _ = simulated()
    head = short_recipe.read_text().split("limits:")[0]
    codes = {}
    for wanted in ("0.5 dB", "60 dB"):
        path = program.folder / "limit.yaml"
        path.write_text(
            head
            + "limits:\n  - {condition: air_coil, quantity: lead_current, measure: rms, "
            + f"attenuation_at_least: {wanted}}}\n"
        )
        codes[wanted] = program.run("run", path, "--bench", bench).returncode

    assert codes == {"0.5 dB": 0, "60 dB": 1}


def test_one_recipe_on_two_dialects_gives_one_result(program, simulated, short_recipe):
    """The same recipe file, unchanged, and the same circuit behind either oscilloscope."""
    text = short_recipe.read_text()
    assert "measures: [rms]" in text
    short_recipe.write_text(text.replace("measures: [rms]", "measures: [peak_to_peak, rms]"))
    found = {}
    for dialect in DIALECTS:
        bench, _ = simulated(f"{dialect}.yaml", "--dialect", dialect, "--seed", "5")
        output = program.folder / dialect
        done = program.run("run", short_recipe, "--bench", bench, "--output", output)
        assert done.returncode in (0, 1, 3), done.stderr
        (run_file,) = output.glob("*.h5")
        document = json.loads(program.run("show", run_file, "--json").stdout)
        found[dialect] = {
            (r["condition"], r["measure"]): r["attenuation"] for r in document["results"]
        }

    one, other = (found[dialect] for dialect in DIALECTS)
    assert set(one) == set(other)
    compared = 0
    for name in one:
        (low, high), (other_low, other_high) = one[name]["interval_db"], other[name]["interval_db"]
        if "resolved" == one[name]["state"] == other[name]["state"]:
            compared += 1
            assert low <= other_high, name
            assert other_low <= high, name
        elif one[name]["state"] == "resolved":
            assert other_low is None or high >= other_low, name
        elif other[name]["state"] == "resolved":
            assert low is None or other_high >= low, name
    assert compared >= 4


@pytest.mark.parametrize("fixture", ["relay", "operator"])
def test_the_simulator_writes_only_over_its_own_file(program, simulated, fixture):
    path = program.folder / "mine.yaml"
    path.write_text("floorshot_bench: 1\n")

    refused = program.run("simulate", "--port", "0", "--write", path, "--fixture", fixture)

    assert refused.returncode == 2
    assert "is left alone" in refused.stderr
    assert path.read_text() == "floorshot_bench: 1\n"


def test_a_taken_port_is_said_in_one_line(program, ears):
    refused = program.run("simulate", "--port", str(ears.ports[0]))

    assert refused.returncode == 2
    assert len(refused.stderr.strip().splitlines()) == 1
    assert re.search(r"cannot listen on the ports", refused.stderr)
