"""A run that this machine cannot evaluate is stored whole, and evaluated where there is room."""

from types import SimpleNamespace

import pytest

from acquire.errors import ExitCode
from acquire.run import memory
from acquire.run.reanalyse import reanalyse
from acquire.run.resume import resume
from acquire.run.runner import run
from acquire.runfile import RunFile, verify


def shots(repeats, samples, quantities=1, count=4):
    one = SimpleNamespace(repeats=repeats, samples=samples, ranges=dict.fromkeys(range(quantities)))
    return [one] * count


def test_a_run_is_stored_without_a_result_where_it_would_not_fit(
    lab, recipe, bench, tmp_path, monkeypatch
):
    monkeypatch.setattr(memory, "available", lambda: 1000)
    outcome = run(recipe, bench, tmp_path, openers=lab.openers)

    assert outcome.exit_code is ExitCode.UNDECIDED
    assert outcome.spool is outcome.document is None
    assert "of memory, and 1.0 kB are free here" in outcome.reason
    assert verify(outcome.path) == []
    with RunFile.open(outcome.path) as file:
        assert file.results == ()
        assert file.state == "complete"
    again = resume(outcome.path.with_suffix(".spool"), openers=lab.openers)
    assert again.exit_code is ExitCode.UNDECIDED

    found, name = reanalyse(outcome.path)  # on the larger machine

    assert name == "again_01"
    assert found.document["verdict"] == "pass"
    assert any("of memory" in remark for remark in found.result.remarks)


@pytest.mark.parametrize(
    ("repeats", "samples", "measured"),
    # 4 shots of one quantity: rms; rms; peak_to_peak, rms and band_b (x86-64, numpy 2, 2026)
    [(8, 2_000_000, 970e6), (32, 2_000_000, 1939e6), (8, 2_000_000, 1563e6)],
)
def test_the_estimate_is_no_less_than_what_was_measured(repeats, samples, measured):
    assert 1.0 <= memory.needed(shots(repeats, samples)) / measured < 2.0


def test_it_grows_with_record_shots_and_quantities_but_not_for_ever_with_repeats():
    one = memory.needed(shots(8, 1000))
    assert memory.needed(shots(8, 2000)) == memory.needed(shots(8, 1000, 2)) == 2 * one
    assert memory.needed(shots(100_000, 1000)) < 2 * memory.needed(shots(64, 1000)) + 4 * 2e8


def test_what_is_free_is_read_from_the_system(monkeypatch, tmp_path):
    told = tmp_path / "meminfo"
    monkeypatch.setattr(memory, "_MEMINFO", told)
    assert memory.available() is None
    assert memory.shortage(shots(8, 10**12)) == ""
    told.write_text("MemTotal: 9 kB\nMemAvailable:     2048 kB\n")
    assert memory.available() == 2 << 20
    assert memory.shortage(shots(8, 100)) == ""
    assert "floorshot reanalyse" in memory.shortage(shots(8, 10**6))
