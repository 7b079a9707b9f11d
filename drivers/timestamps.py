"""Times of day in quotes, to a picosecond, as seconds from the first."""

from __future__ import annotations

from datetime import datetime

from drivers import scpi
from drivers.errors import AnswerError


def frame_times(answer: str) -> tuple[float, ...]:
    """Return the times of time stamps such as ``"02 Mar 2000 20:10:54.542 037 272 620"``.

    Parameters
    ----------
    answer : frame numbers, which are left out, and stamps in quotes, separated by commas.

    Returns
    -------
    Seconds from the first stamp, exact to a picosecond before they become floats.
    """
    fields = (field.strip() for field in scpi.split_outside_quotes(answer))
    stamps = [_picoseconds(scpi.unquoted(field)) for field in fields if field.startswith('"')]
    if not stamps:
        raise AnswerError(f"expected time stamps in quotes, got {scpi.shown(answer)}")
    return tuple((stamp - stamps[0]) * 1e-12 for stamp in stamps)


def _picoseconds(stamp: str) -> int:
    """Return a time stamp in picoseconds since year 1, in whole numbers."""
    whole, _, fraction = stamp.strip().partition(".")
    digits = fraction.replace(" ", "")
    try:
        moment = datetime.strptime(whole.title(), "%d %b %Y %H:%M:%S")  # noqa: DTZ007 - no zone told
    except ValueError:
        raise AnswerError(f"expected a time stamp, got {scpi.shown(stamp)}") from None
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 12):
        raise AnswerError(f"expected a time stamp with up to 12 decimals, got {scpi.shown(stamp)}")
    elapsed = moment - datetime(1, 1, 1)  # noqa: DTZ001 - as above
    return (elapsed.days * 86_400 + elapsed.seconds) * 10**12 + int(digits.ljust(12, "0"))
