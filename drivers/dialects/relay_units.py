"""Relay units that speak ``ROUTe:CLOSe (@...)``, in both conventions of reading back.

=============  ======================================  ============================================
convention     ``ROUTe:CLOSe? (@101,102)``             makers (drivers/README.md names the manuals)
=============  ======================================  ============================================
"per channel"  one 1 or 0 for each channel asked       HP and Agilent, Rigol
"closed list"  (asked without a list) ``(@101,203)``,  Keithley 2700; one by one it has
               every closed channel                    ``ROUTe:CLOSe:STATe? (@...)``
=============  ======================================  ============================================

A unit of the second kind leaves the first kind's question unanswered, and the other way round, so
that trying costs a time-out: `UNITS` tells by the identity. Most units report what they were
told, not what the contact did.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Literal

from drivers import scpi
from drivers.errors import AnswerError, ComplaintError, InstrumentError
from drivers.instrument import drain, recover
from drivers.link import Link
from drivers.scope import Identity
from drivers.switch import Switch

Convention = Literal["per channel", "closed list"]
Readback = Literal["contact", "software state"]

#: (maker, model) patterns, matched whole and without case; what fits none is asked per channel.
UNITS: tuple[tuple[str, str, Convention, Readback], ...] = (
    (r"keithley.*", r"(model )?27\d\d.*", "closed list", "software state"),
    (r"quillmoor instruments", r"qk-34l", "closed list", "contact"),
)
_MOST_CHANNELS = 10_000
_LIST = re.compile(r"\(@([\d,:\s]*)\)")


def channel_list(channels: Sequence[int]) -> str:
    """Return ``(@101,203)``; SCPI-99 volume 1, section 8.3.2."""
    return f"(@{','.join(str(channel) for channel in channels)})"


def parse_channel_list(answer: str) -> frozenset[int]:
    """Return the channels of a list such as ``(@101,103:105)``; ``(@)`` is none.

    Raises
    ------
    AnswerError
        If it is no such list.
    """
    match = _LIST.fullmatch(answer.strip())
    if match is None:
        raise AnswerError(f"expected a channel list such as (@101,203), got {scpi.shown(answer)}")
    found: set[int] = set()
    for part in filter(None, (p.strip() for p in match.group(1).split(","))):
        first, _, last = part.partition(":")
        channels = range(scpi.integer(first), scpi.integer(last or first) + 1)
        if len(channels) > _MOST_CHANNELS:
            raise AnswerError(f"no unit has as many channels as {scpi.shown(answer)} says")
        found.update(channels)
    return frozenset(found)


class ScpiSwitch(Switch):
    """One relay unit. What it reads back is what it was told, unless `UNITS` says otherwise."""

    def __init__(self, link: Link, identity: Identity) -> None:
        self.link = link
        self.identity = identity
        self._convention, self.readback = kind_of(identity)

    def close(self) -> None:
        """Close the link; no relay moves."""
        self.link.close()

    def recover(self) -> None:
        """Close, reopen, prove identity; the relays' state is read anew when asked for."""
        recover(self.link, self.identity)

    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue."""
        return drain(self.link)

    def close_channels(self, channels: Sequence[int]) -> None:
        """Close these relays, then check the readback and the error queue."""
        self._move("CLOSe", channels, lambda closed: set(channels) - closed)

    def open_channels(self, channels: Sequence[int]) -> None:
        """Open these relays, then check the readback and the error queue."""
        self._move("OPEN", channels, lambda closed: set(channels) & closed)

    def _move(
        self,
        verb: str,
        channels: Sequence[int],
        wrong: Callable[[frozenset[int]], set[int]],
    ) -> None:
        if not channels:
            return
        command = f"ROUTe:{verb} {channel_list(channels)}"
        self.link.write(command)
        found = self.errors()
        if found:
            entries = "; ".join(str(entry) for entry in found)
            raise ComplaintError(
                f"it reports after {command}: {entries}", found, instrument=self.link.label
            )
        not_moved = sorted(wrong(self.closed_channels(channels)))
        if not_moved:
            raise AnswerError(
                f"after {command} the unit still reports {channel_list(not_moved)} as "
                f"{'open' if verb == 'CLOSe' else 'closed'}; check the card and its wiring",
                instrument=self.link.label,
            )

    def closed_channels(self, among: Sequence[int]) -> frozenset[int]:
        """Return which of these the unit says are closed."""
        if not among:
            return frozenset()
        if self._convention == "closed list":
            return self.link.ask("ROUTe:CLOSe?", parse_channel_list) & frozenset(among)
        states = self.link.ask(
            f"ROUTe:CLOSe? {channel_list(among)}", lambda answer: _states(answer, len(among))
        )
        return frozenset(n for n, closed in zip(among, states, strict=True) if closed)


def kind_of(identity: Identity) -> tuple[Convention, Readback]:
    """Return how a unit reads back, and what that is worth."""
    for maker, model, convention, readback in UNITS:
        fits = (
            re.fullmatch(pattern, text, re.IGNORECASE)
            for pattern, text in ((maker, identity.maker), (model, identity.model))
        )
        if all(fits):
            return convention, readback
    return "per channel", "software state"


def _states(answer: str, count: int) -> list[bool]:
    words = answer.split(",")
    if len(words) != count:
        raise AnswerError(f"expected {count} states, got {scpi.shown(answer)}")
    return [scpi.boolean(word) for word in words]
