"""What is refused or warned about before a run."""

import tempfile
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from acquire.errors import ExitCode, InstrumentFault, RefusedError
from acquire.run import preflight
from acquire.run.instruments import resources
from acquire.run.lock import BenchLock
from acquire.run.plan import compile_plan
from acquire.run.preflight import Finding, check, offline, require
from drivers.errors import InstrumentError, LinkLostError, RequestError
from drivers.scope import AcquisitionState

NOW = datetime(2026, 6, 1, tzinfo=UTC)


def kinds(findings, subject):
    return [f.kind for f in findings if f.subject == subject]


def texts(findings, kind):
    return [f.text for f in findings if f.kind == kind]


@pytest.fixture
def look(lab, tmp_path):
    return lambda recipe, bench: check(recipe, bench, tmp_path, openers=lab.openers)


def test_a_good_bench_has_no_refusal_and_nothing_moved(look, lab, recipe, bench):
    found = look(recipe, bench)

    assert texts(found, "refusal") == []
    assert [f.text for f in found if f.subject == "scope"] == ["FAKES,scope,1,1.0"]
    assert any("1000 samples at 250 MSa/s, 4 us" in f.text for f in found)
    assert lab.count("close_channels") == lab.count("open_channels") == lab.count("initiate") == 0
    assert lab.opened == 0
    with BenchLock(resources(bench)):
        pass


@pytest.mark.parametrize(
    ("due", "required", "kind"),
    [
        ("2026-05-31", False, "warning"),
        ("2026-05-31", True, "refusal"),
        ("2026-06-01", True, "ok"),
        (None, False, "warning"),
        (None, True, "refusal"),
    ],
)
def test_calibration_dates(
    recipe, load_recipe_text, load_bench_text, tmp_path, due, required, kind
):
    if required:
        recipe = load_recipe_text(
            {"  repeats: 4": "  require_valid_calibration: true\n  repeats: 4"}
        )
    changes = {} if due is None else {"scope: {": f"scope: {{calibration_due: {due}, "}
    bench = load_bench_text(changes)

    found = offline(recipe, bench, compile_plan(recipe, bench), tmp_path, NOW)

    scope = [f for f in found if f.subject == "calibration" and "the scope" in f.text]
    assert [f.kind for f in scope] == [kind]
    assert any("the probe clamp" in f.text for f in found)


def test_a_clock_that_was_never_set_is_refused(recipe, bench, tmp_path):
    plan = compile_plan(recipe, bench)

    found = offline(recipe, bench, plan, tmp_path, datetime(1970, 1, 1, tzinfo=UTC))

    assert kinds(found, "clock") == ["refusal"]


def test_too_little_space_is_refused_with_the_estimate(recipe, bench, tmp_path, monkeypatch):
    plan = compile_plan(recipe, bench)
    monkeypatch.setattr(preflight, "free_space", lambda _folder: 1_000_000)

    (finding,) = [f for f in offline(recipe, bench, plan, tmp_path) if f.subject == "disk space"]

    assert finding.kind == "refusal"
    assert "1 MB free" in finding.text
    assert f"{plan.size / 1e6:.0f} MB needed" in finding.text


def test_an_output_folder_that_takes_no_file_is_refused(recipe, bench, tmp_path, monkeypatch):
    def refuse(**_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(preflight.tempfile, "TemporaryFile", refuse)

    found = offline(recipe, bench, compile_plan(recipe, bench), tmp_path / "new" / "x.h5")

    (finding,) = [f for f in found if f.subject == "output"]
    assert finding.kind == "refusal"
    assert f"{tmp_path}: cannot be written (Permission denied)" in finding.text


def test_the_output_folder_is_left_as_it_was(recipe, bench, tmp_path):
    offline(recipe, bench, compile_plan(recipe, bench), tmp_path / "new" / "x.h5")

    assert list(tmp_path.iterdir()) == []


def test_the_try_at_the_output_folder_has_no_name_that_a_kill_could_leave(
    recipe, bench, tmp_path, monkeypatch
):
    seen = []
    real = tempfile.TemporaryFile

    def look(**options):
        file = real(**options)
        seen.append(list(tmp_path.iterdir()))
        return file

    monkeypatch.setattr(preflight.tempfile, "TemporaryFile", look)

    offline(recipe, bench, compile_plan(recipe, bench), tmp_path / "x.h5")

    assert seen == [[]]


def test_a_bench_in_use_is_not_contacted(look, lab, recipe, bench):
    with BenchLock(resources(bench)):
        found = look(recipe, bench)

    assert kinds(found, "bench") == ["refusal"]
    assert lab.done == []


def test_recipe_and_bench_that_do_not_fit_end_the_check(look, lab, recipe, load_bench_text):
    found = look(recipe, load_bench_text({", core: [103]": ""}))

    assert kinds(found, "recipe") == ["refusal"]
    assert lab.done == []


def test_what_the_oscilloscope_does_not_have_is_a_mistake_in_a_file(look, lab, recipe, bench):
    """And no fault of the instrument: exit code 2 sends the reader to the file."""
    lab.fail("configure_channel", RequestError("channel 7 was asked for; the profile has 1 to 4"))

    (finding,) = [f for f in look(recipe, bench) if f.kind == "refusal"]
    assert finding.exit_code is ExitCode.BAD_INPUT
    assert "channel 7 was asked for" in finding.text
    assert "the bench profile's inputs" in finding.text


def test_an_instrument_that_does_not_answer_is_a_fault(look, lab, recipe, bench):
    lab.fail("scope.open", LinkLostError("nothing listens there", instrument="scope (x)"))

    found = look(recipe, bench)

    (finding,) = [f for f in found if f.subject == "instruments"]
    assert finding.exit_code is ExitCode.FAULT
    assert "nothing listens there" in finding.text


def test_errors_from_before_are_warned_of(look, lab, recipe, bench):
    lab.leftover = (InstrumentError(-222, "Data out of range"),)

    assert any("-222 Data out of range" in text for text in texts(look(recipe, bench), "warning"))


def test_a_scope_that_samples_too_slowly_is_refused(look, lab, recipe, bench):
    lab.readback = lambda w: replace(w, sample_rate=1e8) if isinstance(w, AcquisitionState) else w

    found = look(recipe, bench)

    assert kinds(found, "record") == ["refusal"]
    assert "at least 250 MSa/s" in texts(found, "refusal")[0]


def test_too_little_bandwidth_is_refused(look, lab, load_recipe_text, bench):
    lab.profile = replace(lab.profile, bandwidth=50e6)
    wide = load_recipe_text({"  repeats: 4": "  minimum_bandwidth: 80 MHz\n  repeats: 4"})

    assert kinds(look(wide, bench), "bandwidth") == ["refusal"]


def test_a_range_limit_of_the_input_is_told(look, recipe, bench):
    found = look(recipe, bench)

    assert any("at most 8 V full scale at 50 ohm" in f.text for f in found)


def test_the_worst_refusal_decides_what_is_raised():
    bad = Finding("refusal", "disk space", "no room")
    worse = Finding("refusal", "record", "dead", ExitCode.FAULT)

    require([Finding("warning", "x", "y"), Finding("ok", "x", "y")])
    with pytest.raises(RefusedError, match="no room"):
        require([bad])
    with pytest.raises(InstrumentFault, match="no room\ndead"):
        require([bad, worse])


def test_a_check_names_each_wired_input_and_marks_what_it_saw_as_no_data(look, lab, recipe, bench):
    found = look(recipe, bench)

    texts = {f.subject: f.text for f in found if f.subject.startswith("input ")}
    assert set(texts) == {"input 1", "input 2"}
    assert all("no data" in text for text in texts.values())
    assert "lead through clamp" in texts["input 1"]
    assert lab.count("initiate") == 0


@pytest.mark.parametrize(
    ("error", "kind"),
    [(RequestError("it cannot"), "warning"), (LinkLostError("it is gone"), "refusal")],
)
def test_a_look_at_the_inputs_that_fails_is_told(look, lab, recipe, bench, error, kind):
    lab.fail("record_untriggered", error)

    assert kinds(look(recipe, bench), "inputs") == [kind]
