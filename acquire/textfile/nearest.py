"""What a person probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def did_you_mean(written: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` for the nearest other word, or else all there are."""
    words = [word for word in dict.fromkeys(known) if word != written]
    near = difflib.get_close_matches(written[:100].lower(), words, n=1, cutoff=0.6)
    if near:
        return f"; did you mean '{near[0]}'?"
    if not words:
        return ""
    return f"; there is {', '.join(words)}" if len(words) <= 20 else ""
