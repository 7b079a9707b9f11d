"""A run that measured the open-circuit voltage foretells what a candidate does, as measured too."""

import json

import pytest

pytestmark = pytest.mark.timeout(400)  # several whole runs, on a machine that may be busy

AIR_COIL = {"inductance": "0.35 uH", "resistance": "46 mohm", "capacitance": "2 pF"}
"""As in ``simulated_instruments.scenario``: the candidate that is measured as well."""


@pytest.fixture(scope="module")
def measured(tmp_path_factory, program_in, wait_for_line):
    """A run of such a recipe, carried out once: (program, run file)."""
    program = program_in(tmp_path_factory.mktemp("open_circuit"))
    bench = "bench.yaml"
    simulate = ("simulate", "--port", "0", "--write", bench, "--seed", "9")
    with program.started(*simulate) as laboratory:
        wait_for_line(laboratory, laboratory.stdout, "Ready")
        done = program.run("run", recipe(program), "--bench", bench)
    assert done.returncode in (0, 1, 3), done.stderr
    (run_file,) = (program.folder / "runs").glob("*.h5")
    return program, run_file


def recipe(program):
    """The shipped recipe on a conductor that protects nobody, with an open-circuit shot."""
    text = program.run("example", "bonding_lead").stdout
    for before, after in (
        ("protective: true", "protective: false"),
        ("measures: [peak_to_peak, rms, band_b]", "measures: [peak_to_peak, rms]"),
        ("repeats: 32", "repeats: 16"),
        ("\nacquisition:", "  lead_voltage: {kind: voltage, evaluated: false}\n\nacquisition:"),
        ("\nconditions:", "\nconditions:\n  open_lead: {kind: open_circuit, description: open}"),
        ("\nshots:", "\nshots:\n  - {role: open_circuit, condition: open_lead}"),
        ("  - {role: target, condition: damped_choke}\n", ""),
        ("  - {role: target, condition: triple_core}\n", ""),
    ):
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    head, _, limits = text.partition("limits:\n")
    path = program.folder / "open.yaml"
    path.write_text(head + "limits:\n" + limits.splitlines()[-1] + "\n")
    return path


def test_the_prediction_for_a_measured_candidate_holds(measured):
    program, run_file = measured
    document = json.loads(program.run("show", run_file, "--json").stdout)
    found = {
        r["measure"]: r["attenuation"]
        for r in document["results"]
        if r["quantity"] == "lead_current"
    }

    told = program.run(
        "predict",
        run_file,
        "--inductance",
        AIR_COIL["inductance"],
        "--series-resistance",
        AIR_COIL["resistance"],
        "--parallel-capacitance",
        AIR_COIL["capacitance"],
        "--fault-current",
        "200 A",
        "--json",
    )

    assert told.returncode == 0, told.stderr
    prediction = json.loads(told.stdout)
    for level in prediction["levels"]:
        low, high = level["interval_db"]
        measured_low, measured_high = found[level["measure"]]["interval_db"]
        assert low <= measured_high + 0.2, level  # the fit stops at the edge of the trusted band
        assert measured_low - 0.2 <= high, level
    # ohm's law at 50 Hz: 46 milliohm and 2 pi 50 0.35 uH = 0.11 milliohm, at 200 A
    assert prediction["voltage_drop"] == pytest.approx(200 * 0.046, rel=1e-3)
    assert "licensed" in prediction["caution"]

    shown = program.run("predict", run_file, "--inductance", "100uH", "--fault-current", "200 A")
    assert shown.returncode == 0
    # 2 pi 50 Hz 100 uH 200 A = 6.28 V
    assert "6.28 V" in shown.stdout
    assert "CAUTION" in shown.stderr


def test_an_impedance_table_with_mistakes_is_told_by_line(measured, tmp_path):
    program, run_file = measured
    table = tmp_path / "choke.csv"
    table.write_text("frequency [MHz], impedance [ohm], phase [deg]\n0.1, 60, 80\n1, many, 60\n")

    told = program.run("predict", run_file, "--impedance-table", table)

    assert told.returncode == 2
    assert "choke.csv:3" in told.stderr
    assert "Traceback" not in told.stderr


def test_a_run_without_an_open_circuit_shot_says_what_is_missing(program, simulated, short_recipe):
    bench, _ = simulated()
    assert program.run("run", short_recipe, "--bench", bench).returncode in (0, 1, 3)
    (run_file,) = (program.folder / "runs").glob("*.h5")

    told = program.run("predict", run_file, "--inductance", "100uH")

    assert told.returncode == 2
    assert "holds no open-circuit voltage" in told.stderr
