"""The one door: right numbers on a known run, and every failure as an invalid result."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acquire.analysis.evaluate import evaluate, moments
from acquire.analysis.inputs import Choices, Limit

RATIO = 50.0
NAMES = ("peak_to_peak", "rms")


@pytest.fixture
def run(make_capture, ring):
    """Return the captures of one run: attenuation 50 (33.98 dB), coherent pickup, noise."""
    rng = np.random.default_rng(0)

    def rows(level, pickup, noise, count=32):
        size = level * (1 + 0.02 * rng.standard_normal((count, 1)))
        return size * ring + pickup * np.roll(ring, 4) + noise * rng.standard_normal((count, 1000))

    small, large = 0.16, 4.0
    return [
        make_capture(rows(1.0, 0.01, 0.002), "reference", 0, vertical_range=large),
        make_capture(rows(1 / RATIO, 0.01, 0.002), "target", 1, vertical_range=small),
        make_capture(rows(0.0, 0.01, 0.002), "floor", 2, vertical_range=small),
        make_capture(rows(0.0, 0.01, 0.002), "floor", 3, vertical_range=large),
        make_capture(rows(1.02, 0.01, 0.002), "reference", 4, vertical_range=large),
    ]


def only(result, measure="rms"):
    return next(r for r in result.results if r.measure == measure)


def change(captures, position, **over):
    return [replace(c, **over) if i == position else c for i, c in enumerate(captures)]


@pytest.mark.parametrize("measure", NAMES)
def test_a_known_attenuation_is_inside_its_interval(run, measure):
    found = only(evaluate(run, Choices(measures=NAMES)), measure)
    a = found.attenuation
    assert (a.state, a.method) == ("resolved", "coherent")
    assert a.interval_db[0] < 20 * np.log10(RATIO) < a.interval_db[1]
    assert a.interval_db[1] - a.interval_db[0] < 1.0
    assert a.db == pytest.approx(20 * np.log10(a.ratio))
    assert found.why_method.startswith("coherent: the events repeat")
    low, high = found.corrected_interval
    assert low < found.corrected.value < high
    assert found.decision_threshold < found.detection_limit < found.corrected.value


def test_the_uncorrected_number_is_far_off_and_says_so_in_its_bounds(run):
    found = only(evaluate(run, Choices(measures=NAMES)))
    none = found.by_method["none"]
    assert abs(none.attenuation.db - 20 * np.log10(RATIO)) > 1.0
    assert none.bounds_db[0] < 20 * np.log10(RATIO) < none.bounds_db[1]
    assert set(found.by_method) == {"none", "amplitude", "power", "coherent"}


def test_the_recipe_may_ask_for_a_correction_and_hears_what_the_evidence_says(run):
    found = only(evaluate(run, Choices(correction="amplitude", measures=NAMES)))
    assert found.attenuation.method == "amplitude"
    assert found.attenuation == found.by_method["amplitude"].attenuation
    assert "the evidence would choose coherent" in found.why_method


def test_drift_is_reported_and_in_the_budget(run):
    result = evaluate(run, Choices(measures=("rms",)))
    assert result.drift[0].db == pytest.approx(20 * np.log10(1.02), abs=0.08)
    assert result.drift[0].within_allowance
    lines = {line.source: line for line in only(result).budget}
    assert lines["drift of the source"].standard_uncertainty_db == pytest.approx(
        8.686 * 0.01 / np.sqrt(3) / 1.01, rel=0.3
    )


def test_drift_past_the_allowance_is_invalid(run):
    found = only(evaluate(run, Choices(measures=("rms",), drift_allowance=0.05)))
    assert found.attenuation.state == "invalid"
    assert "allowance of 0.05 dB" in found.attenuation.reason


def test_gain_cancels_in_one_range_and_counts_between_two(run):
    different = [replace(c, gain_accuracy=0.03) for c in run]
    same = [replace(c, vertical_range=4.0) for c in different]
    lines = [
        {line.source: line for line in only(evaluate(c, Choices(measures=("rms",)))).budget}
        for c in (different, same)
    ]
    gain = [line["vertical gain of the scope"].standard_uncertainty_db for line in lines]
    assert gain[0] > 8.686 * 0.03 / np.sqrt(3)
    assert gain[1] == pytest.approx(0.0, abs=1e-9)


def test_the_probe_cancels_in_the_attenuation_but_not_in_the_levels(run):
    probe = replace(run[0].transducer, relative_uncertainty=0.1)
    plain, probed = (
        only(evaluate(c, Choices(measures=("rms",))))
        for c in (run, [replace(c, transducer=probe) for c in run])
    )
    assert probed.attenuation == plain.attenuation
    assert probed.corrected.standard_uncertainty > 0.1 * probed.corrected.value
    other = change(run, 1, transducer=replace(probe, name="other"))
    wider = only(evaluate(other, Choices(measures=("rms",)))).attenuation.interval_db
    assert wider[1] - wider[0] > 3.0


def test_nothing_left_is_floor_limited_with_a_bound(run):
    captures = [run[0], replace(run[2], role="target", condition="choke", order=1), *run[2:]]
    found = only(evaluate(captures, Choices(measures=("rms",))))
    assert found.attenuation.state == "floor-limited"
    assert found.attenuation.db is None
    low, high = found.attenuation.interval_db
    assert high is None
    # The bound lies 32 averaged records below what one record's floor allows.
    single = 20 * np.log10(found.reference.value / found.floor.value)
    assert low > single + 10


@pytest.mark.parametrize(
    ("position", "over", "words"),
    [
        (1, {"clipped": 3}, ("target", "3 samples are clipped", "0.16 V")),
        (0, {"faults": ("auto-triggered",)}, ("reference", "auto-triggered")),
        (2, {"clipped": 1}, ("floor", "clipped")),
        (2, {"vertical_range": 1.0}, ("no floor shot", "0.16 V", "1 V")),
        (2, {"step": 2e-8}, ("another time axis",)),
    ],
)
def test_what_cannot_be_used_is_invalid_and_says_why(run, position, over, words):
    found = only(evaluate(change(run, position, **over), Choices(measures=("rms",))))
    assert found.attenuation.state == "invalid"
    for word in words:
        assert word in found.attenuation.reason
    assert found.attenuation.interval_db == (None, None)
    assert all(m.attenuation.state == "invalid" for m in found.by_method.values())


def test_a_floor_of_another_range_never_corrects(run):
    """Only the target's own floor is missing; the reference's is there and must not be used."""
    found = only(evaluate([run[0], run[1], run[3], run[4]], Choices(measures=("rms",))))
    assert found.attenuation.state == "invalid"
    assert "0.16 V" in found.attenuation.reason


def test_no_reference_no_repeats_no_measure(run):
    one = only(evaluate(run[1:4], Choices(measures=("rms",))))
    assert "no reference" in one.attenuation.reason
    single = change(run, 1, codes=run[1].codes[:1], gain=run[1].gain[:1], offset=run[1].offset[:1])
    assert "2 repeats" in only(evaluate(single, Choices(measures=("rms",)))).attenuation.reason
    found = evaluate(run, Choices(measures=("crest",))).results[0]
    assert "unknown measure crest" in found.attenuation.reason
    band = only(evaluate(run, Choices(measures=("band_d",))), "band_d")
    assert "not covered" in band.attenuation.reason


def test_a_constant_record_is_invalid_not_an_exception(run):
    still = [replace(c, codes=np.zeros_like(c.codes)) for c in run]
    for found in evaluate(still, Choices(measures=NAMES)).results:
        assert found.attenuation.state == "invalid"
        assert "not distinguishable" in found.attenuation.reason


def test_an_empty_run_is_an_empty_result():
    result = evaluate([], Choices())
    assert (result.results, result.verdict) == ((), None)


def test_limits_are_judged(run):
    limits = (
        Limit("choke", "lead_current", "rms", attenuation_at_least=30.0),
        Limit("choke", "lead_current", "rms", residual_at_most=0.001),
    )
    result = evaluate(run, Choices(measures=("rms",), limits=limits))
    assert [v.verdict for v in result.limits] == ["pass", "fail"]
    assert result.verdict == "fail"


def test_without_a_closing_reference_the_result_says_what_is_left_out(run):
    found = only(evaluate(run[:4], Choices(measures=("rms",))))
    assert found.attenuation.state == "resolved"
    assert any("drift of the source is left out" in r for r in found.remarks)


def test_several_shots_of_one_condition_are_pooled_with_what_differs_between_them(run):
    louder = replace(run[1], shot="01b", order=1, codes=(run[1].codes * 1.2).astype(np.int16))
    found = only(evaluate([*run, louder], Choices(measures=("rms",))))
    lines = {line.source: line for line in found.budget}
    assert lines["between shots of the condition"].standard_uncertainty_db > 0.5
    assert lines["between shots of the condition"].degrees_of_freedom == 1


def test_trigger_jitter_is_removed_on_the_trigger_quantity(run, make_capture, ring):
    rng = np.random.default_rng(5)
    captures = []
    t = np.arange(1000.0)
    for capture in run:
        delays = rng.uniform(-2, 2, len(capture.codes))
        moved = np.stack(
            [np.interp(t - d, t, row) for d, row in zip(delays, capture.values(), strict=True)]
        )
        watch = np.stack([np.interp(t - d, t, ring) for d in delays])
        axis = {"vertical_range": capture.vertical_range}
        captures.append(make_capture(moved, capture.role, capture.order, **axis))
        captures.append(make_capture(watch, capture.role, capture.order, quantity="source_voltage"))
    base = Choices(measures=("rms",), trigger_quantity="source_voltage")
    aligned, plain = (evaluate(captures, replace(base, align=a)) for a in (True, False))
    (remark,) = [r for r in aligned.remarks if "were aligned on source_voltage" in r]
    assert "within a shot they scattered by 1" in remark  # two samples to either side, evenly
    assert "whole shots lay up to 0." in remark
    assert any("no attenuation of its own" in r for r in aligned.remarks)
    assert {r.quantity for r in aligned.results} == {"lead_current"}
    truth = only(evaluate(run, base)).corrected.value
    errors = [abs(only(r).corrected.value / truth - 1) for r in (aligned, plain)]
    assert errors[0] < 0.01
    assert not any("aligned" in r for r in plain.remarks)


def test_open_circuit_shots_are_left_aside(run):
    extra = replace(run[0], role="open_circuit", shot="09", order=9)
    choices = Choices(measures=("rms",))
    assert evaluate([*run, extra], choices) == evaluate(run, choices)


def test_times_are_used_only_where_all_are_known(run):
    assert moments(run) == [c.trigger_time.mean() for c in run]
    unknown = change(run, 2, trigger_time=np.full(32, np.nan))
    assert moments(unknown) == [0, 1, 2, 3, 4]


def test_the_order_of_the_captures_does_not_matter(run):
    choices = Choices(measures=NAMES)
    assert evaluate(run[::-1], choices) == evaluate(run, choices)
