"""What a scope driver refuses: what the model cannot do, before it is sent; what came back wrong.

Every message names what was asked for, what the profile knows, and the instrument.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator

from drivers.errors import AnswerError, DriverError, RequestError
from drivers.link import Link
from drivers.profile import ScopeProfile
from drivers.scope import AcquisitionRequest, ChannelSettings


class Refusals:
    """The part of `drivers.scpi_scope.ScpiScope` that says no."""

    link: Link
    profile: ScopeProfile
    _segments: int

    def refuse(self, message: str) -> RequestError:
        """Return the error that says that this instrument cannot do what was asked."""
        return RequestError(message, instrument=self.link.label)

    def check_channel(self, wanted: ChannelSettings) -> None:
        """Refuse what the profile rules out; above all 50 ohm where it does not exist."""
        self.check_channel_number(wanted.channel)
        if not any(math.isclose(wanted.input_impedance, z) for z in self.profile.input_impedances):
            known = ", ".join(f"{z:g}" for z in self.profile.input_impedances)
            raise self.refuse(
                f"channel {wanted.channel}: an input impedance of {wanted.input_impedance:g} ohm "
                f"was asked for; the profile {self.profile.name} knows {known} ohm"
            )
        if not (wanted.vertical_range > 0 and math.isfinite(wanted.vertical_range)):
            raise self.refuse(
                f"channel {wanted.channel}: a vertical range of {wanted.vertical_range:g} V "
                "was asked for; it must be above zero"
            )

    def check_bandwidth_limit(self, wanted: ChannelSettings, only: float) -> bool:
        """Return whether the one limit that a family has was asked for; refuse any other. [Hz]"""
        limit = wanted.bandwidth_limit
        if limit is None:
            return False
        if not 0.9 * only <= limit <= 1.3 * only:
            raise self.refuse(
                f"channel {wanted.channel}: a bandwidth limit of {limit:g} Hz was asked for; "
                f"this family has {only:g} Hz or none"
            )
        return True

    def check_channel_number(self, channel: int) -> None:
        """Refuse an input that the model does not have."""
        if not 1 <= channel <= self.profile.channels:
            raise self.refuse(
                f"channel {channel} was asked for; the profile {self.profile.name} has "
                f"1 to {self.profile.channels}"
            )

    def check_segments(self, wanted: AcquisitionRequest) -> None:
        """Refuse more segments than one arming can take, or fewer than one."""
        if not 1 <= wanted.segments <= self.profile.maximum_segments:
            raise self.refuse(
                f"{wanted.segments} segments in one arming were asked for; the profile "
                f"{self.profile.name} allows 1 to {self.profile.maximum_segments}"
            )

    @property
    def impedance_is_fixed(self) -> bool:
        """Whether the model has one input impedance only, and so no command for it."""
        return len(self.profile.input_impedances) == 1

    def check_segment(self, segment: int) -> None:
        """Refuse a segment that one arming cannot have taken."""
        if not 0 <= segment < self._segments:
            raise self.refuse(
                f"segment {segment} was asked for; one arming takes segments 0 to "
                f"{self._segments - 1}"
            )

    def check_normal_sweep(self, normal: bool, answer: str) -> None:
        """Refuse to go on where the sweep did not become normal: a record could lie."""
        if not normal:
            raise AnswerError(
                f"the trigger sweep reads back as {answer!r} after NORMal was set; with an "
                "automatic sweep a record without an event would look valid",
                instrument=self.link.label,
            )

    @contextlib.contextmanager
    def naming_the_instrument(self) -> Iterator[None]:
        """Add the instrument to errors that pure functions raise."""
        try:
            yield
        except DriverError as error:
            if error.instrument:
                raise
            raise type(error)(error.message, instrument=self.link.label) from error
