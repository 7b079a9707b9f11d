"""Limits, decided with the interval in hand (JCGM 106): pass, fail or undecided."""

from __future__ import annotations

from collections.abc import Sequence

from acquire.analysis.digits import format_db, format_span
from acquire.analysis.inputs import Limit
from acquire.analysis.results import Attenuation, ConditionResult, LimitVerdict, Verdict

Interval = tuple[float | None, float | None]


def decide(interval: Interval, at_least: float) -> Verdict:
    """Judge a value that must be at least a limit.

    Pass only if the whole interval clears it, fail only if the whole interval falls short; an end
    that is None is unbounded.
    """
    low, high = interval
    if low is not None and low >= at_least:
        return "pass"
    if high is not None and high < at_least:
        return "fail"
    return "undecided"


def judge(limit: Limit, results: Sequence[ConditionResult]) -> LimitVerdict:
    """Find the result that a limit is about, and decide."""
    found = next(
        (
            r
            for r in results
            if (r.condition, r.quantity, r.measure)
            == (limit.condition, limit.quantity, limit.measure)
        ),
        None,
    )
    if found is None:
        return LimitVerdict(
            limit,
            "undecided",
            f"no result for {limit.measure} of {limit.quantity} with {limit.condition}: "
            "the run has no such target shot, or the recipe does not ask for this measure",
        )
    if found.attenuation.state == "invalid":
        return LimitVerdict(
            limit, "undecided", f"the result is invalid: {found.attenuation.reason}"
        )
    if limit.attenuation_at_least is not None:
        verdict = decide(found.attenuation.interval_db, limit.attenuation_at_least)
        what = _attenuation(found.attenuation)
        return LimitVerdict(
            limit, verdict, f"attenuation {what} against at least {limit.attenuation_at_least:g} dB"
        )
    assert limit.residual_at_most is not None
    low, high = found.corrected_interval
    verdict = decide(
        (None if high is None else -high, None if low is None else -low), -limit.residual_at_most
    )
    unit = found.corrected.unit
    what = "unknown" if low is None and high is None else format_span(low, high, unit)
    return LimitVerdict(
        limit, verdict, f"residual {what} against at most {limit.residual_at_most:g} {unit}"
    )


def overall(verdicts: Sequence[LimitVerdict]) -> Verdict | None:
    """Return fail if one fails, else undecided if one is, else pass; None without limits."""
    if not verdicts:
        return None
    seen = {v.verdict for v in verdicts}
    if "fail" in seen:
        return "fail"
    return "undecided" if "undecided" in seen else "pass"


def _attenuation(found: Attenuation) -> str:
    """Return value and interval as they stand in every other place."""
    low, high = found.interval_db
    if low is None and high is None:
        return "unknown"
    if found.db is None or low is None or high is None:
        return f"at most {high:.2f} dB" if low is None else format_db(None, (low, high))
    return format_db(found.db, (low, high))
