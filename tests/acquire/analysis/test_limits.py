"""JCGM 106 with guard: pass only if the whole interval clears, fail only if none of it does."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.analysis.inputs import Limit
from acquire.analysis.limits import decide, judge, overall
from acquire.analysis.results import Attenuation, ConditionResult, Level, LimitVerdict

NONE = Level(1.0, "A", 0.1)
RESULT = ConditionResult(
    "choke", "i", "rms", NONE, NONE, NONE, NONE,
    Attenuation(31.6, 30.0, (29.0, 31.0), 0.95, "coherent", "resolved", ""),
    {}, (), "", corrected_interval=(0.9, 1.1),
)  # fmt: skip


@pytest.mark.parametrize(
    ("interval", "limit", "verdict"),
    [
        ((29.0, 31.0), 28.9, "pass"),
        ((29.0, 31.0), 29.0, "pass"),
        ((29.0, 31.0), 30.0, "undecided"),
        ((29.0, 31.0), 31.1, "fail"),
        ((29.0, None), 28.0, "pass"),
        ((29.0, None), 60.0, "undecided"),
        ((None, None), 1.0, "undecided"),
    ],
)
def test_an_attenuation_limit(interval, limit, verdict):
    assert decide(interval, limit) == verdict


@pytest.mark.parametrize(("at_most", "verdict"), [(1.2, "pass"), (1.0, "undecided"), (0.8, "fail")])
def test_a_residual_limit(at_most, verdict):
    found = judge(Limit("choke", "i", "rms", residual_at_most=at_most), [RESULT])
    assert found.verdict == verdict
    assert "A" in found.reason


@pytest.mark.parametrize(
    ("db", "interval", "words"),
    [
        (30.0, (29.004, 31.0), "attenuation 30.00 dB (29.00 to 31.00) against at least 20 dB"),
        (None, (29.06, None), "attenuation at least 29.0 dB against at least 20 dB"),
        (None, (None, None), "attenuation unknown against at least 20 dB"),
    ],
)
def test_a_reason_has_the_very_digits_of_the_result(db, interval, words):
    shown = replace(RESULT.attenuation, db=db, interval_db=interval)
    limit = Limit("choke", "i", "rms", attenuation_at_least=20.0)
    assert judge(limit, [replace(RESULT, attenuation=shown)]).reason == words


def test_an_upper_bound_on_the_residual_can_pass_but_not_fail():
    bound = replace(RESULT, corrected_interval=(None, 1.1))
    assert judge(Limit("choke", "i", "rms", residual_at_most=1.2), [bound]).verdict == "pass"
    assert judge(Limit("choke", "i", "rms", residual_at_most=0.1), [bound]).verdict == "undecided"


def test_a_missing_or_invalid_result_decides_nothing_and_says_why():
    limit = Limit("bead", "i", "rms", attenuation_at_least=20.0)
    assert "no result" in judge(limit, [RESULT]).reason
    bad = replace(
        RESULT, attenuation=replace(RESULT.attenuation, state="invalid", reason="clipped")
    )
    found = judge(replace(limit, condition="choke"), [bad])
    assert (found.verdict, "clipped" in found.reason) == ("undecided", True)


def test_the_overall_verdict_is_the_worst():
    limit = Limit("choke", "i", "rms", attenuation_at_least=20.0)
    one = {v: LimitVerdict(limit, v, "") for v in ("pass", "fail", "undecided")}
    assert overall([]) is None
    assert overall([one["pass"]]) == "pass"
    assert overall([one["pass"], one["undecided"]]) == "undecided"
    assert overall(list(one.values())) == "fail"
