"""The oscilloscope as a recipe wants it: every setting written, read back, judged, and kept.

What is kept is what was read back. After a link was lost the same is written again and must be read
back the same: a shot is never continued, or taken again, under other settings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from acquire.bench import LoadedBench
from acquire.bench.schema import Input
from acquire.errors import InstrumentFault
from acquire.quantities import format_quantity
from acquire.recipe.schema import Recipe
from acquire.run.ranging import FILL_HIGH, allowed, first_range
from acquire.runfile.records import ChannelRecord
from drivers.errors import RequestError
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionState,
    ChannelSettings,
    Scope,
    TriggerSettings,
)

RELATIVE = 0.02
"""A range or level read back this close to what was asked for is the one asked for. [1]"""


@dataclass(frozen=True, slots=True)
class Connection:
    """One quantity on its scope input.

    Attributes
    ----------
    quantity : its name in the recipe.
    input : from the bench profile.
    volts_per_unit : transfer of its probe. [V/A or 1]
    expected_peak : at the scope's input, None where the recipe gives none. [V]
    """

    quantity: str
    input: Input
    volts_per_unit: float
    expected_peak: float | None


def connections(recipe: Recipe, bench: LoadedBench) -> dict[str, Connection]:
    """Bind every quantity of the recipe to its input and probe."""
    found = {}
    for name, quantity in recipe.quantities.items():
        where = bench.bench.inputs[name]
        transfer = bench.probes[where.probe].transducer.transfer
        peak = quantity.expected_peak
        expected = None if peak is None else abs(peak.value) * transfer
        found[name] = Connection(name, where, transfer, expected)
    return found


def trigger_settings(recipe: Recipe, bound: Mapping[str, Connection]) -> TriggerSettings:
    """Return the trigger at the scope's input: its level in volts there. [V]"""
    asked = recipe.acquisition.trigger
    if asked.source not in bound:
        return TriggerSettings("external", asked.level.value, asked.slope)
    source = bound[asked.source]
    level = asked.level.value * source.volts_per_unit
    return TriggerSettings(source.input.channel, level, asked.slope)


@dataclass(slots=True)
class ScopeSetup:
    """Owns the settings of one scope for one run.

    Attributes
    ----------
    scope : the driver; already open.
    recipe, bound : what is measured, on which inputs.
    channels, acquisition, trigger : as read back; empty before ``configure``.
    """

    scope: Scope
    recipe: Recipe
    bound: Mapping[str, Connection]
    channels: dict[str, ChannelSettings] = field(default_factory=dict)
    wanted: dict[str, ChannelSettings] = field(default_factory=dict)
    acquisition: AcquisitionState | None = None
    segments: int = 1
    trigger: TriggerSettings | None = None
    words: dict[str, str] = field(default_factory=dict)

    # -- configuring -----------------------------------------------------------------------------
    def configure(self) -> None:
        """Bring the scope from its default state to what the recipe asks for.

        Raises
        ------
        InstrumentFault
            If something that was read back is not good enough.
        """
        self.wanted = {name: self._first(name) for name in self.bound}
        self._apply()

    def _apply(self) -> None:
        self.scope.reset()
        used = {settings.channel for settings in self.wanted.values()}
        for name, settings in self.wanted.items():
            self.channels[name] = self.scope.configure_channel(settings)
        for channel in range(1, self.scope.profile.channels + 1):
            if channel not in used:
                largest = self.scope.profile.vertical_ranges[-1]
                self.scope.configure_channel(ChannelSettings(channel, largest, enabled=False))
        self.acquisition = self.scope.configure_acquisition(self._request(self.segments))
        self.trigger = self.scope.configure_edge_trigger(trigger_settings(self.recipe, self.bound))
        problems = list(self._problems())
        if problems:
            raise InstrumentFault("oscilloscope: " + "; ".join(problems))

    def _first(self, name: str) -> ChannelSettings:
        connection = self.bound[name]
        wired = connection.input
        return ChannelSettings(
            channel=wired.channel,
            vertical_range=first_range(
                self.ranges(name), connection.expected_peak, self.at_least(name)
            ),
            coupling=wired.coupling,
            input_impedance=wired.input_impedance,
            bandwidth_limit=wired.bandwidth_limit,
        )

    def _request(self, segments: int) -> AcquisitionRequest:
        asked = self.recipe.acquisition
        return AcquisitionRequest(
            asked.duration, -asked.pre_trigger, asked.minimum_sample_rate, segments
        )

    def ranges(self, quantity: str) -> tuple[float, ...]:
        """Return the ranges that may be selected for a quantity, ascending. [V]

        Raises
        ------
        InstrumentFault
            If every range reaches beyond what the input survives.
        """
        wired = self.bound[quantity].input
        profile = self.scope.profile
        found = allowed(profile.vertical_ranges, wired.input_impedance, wired.maximum_input)
        if not found:
            raise InstrumentFault(
                f"{quantity}: every range of {profile.name} reaches beyond the maximum_input of "
                f"{format_quantity(wired.maximum_input or 0.0, 'V')} at "
                f"{format_quantity(wired.input_impedance, 'ohm')}; put an attenuator before it"
            )
        return found

    def at_least(self, quantity: str) -> float:
        """Return the smallest range in which the trigger level of this quantity lies, or 0. [V]"""
        if quantity != self.recipe.acquisition.trigger.source:
            return 0.0
        return 2 * abs(trigger_settings(self.recipe, self.bound).level) / FILL_HIGH

    # -- changing --------------------------------------------------------------------------------
    def set_ranges(self, ranges: Mapping[str, float]) -> None:
        """Select vertical ranges; a trigger on one of these quantities is set anew with it. [V]"""
        changed = {
            q: r for q, r in ranges.items()
            if abs(self.wanted[q].vertical_range - r) > 1e-9 * r
        }  # fmt: skip
        if not changed:
            return
        wanted, channels, trigger = dict(self.wanted), dict(self.channels), self.trigger
        for quantity, volts in changed.items():
            wanted[quantity] = replace(wanted[quantity], vertical_range=volts)
            channels[quantity] = self.scope.configure_channel(wanted[quantity])
        if self.recipe.acquisition.trigger.source in changed:
            trigger = self.scope.configure_edge_trigger(trigger_settings(self.recipe, self.bound))
        # together, once all of it is done: what a fault leaves half done must not become what the
        # settings after the fault are compared with
        self.wanted, self.channels, self.trigger, self.words = wanted, channels, trigger, {}
        self.require()

    def set_segments(self, records: int) -> int:
        """Ask for up to ``records`` records in one arming; return how many it will be.

        One by one is what remains where the driver refuses, or where segments would cost sample
        rate or record length: both ways give the same data.
        """
        most = max(min(records, self.scope.profile.maximum_segments), 1)
        if most == self.segments or (most > 1 and self.acquisition is None):
            return self.segments
        single = self.acquisition
        try:
            state = self.scope.configure_acquisition(self._request(most))
        except RequestError:
            most, state = 1, self.scope.configure_acquisition(self._request(1))
        if most > 1 and single is not None and self.segments == 1 and _poorer(state, single):
            state = self.scope.configure_acquisition(self._request(1))
        self.acquisition, self.segments, self.words = state, max(state.segments, 1), {}
        self.require()
        return self.segments

    def snapshot(self) -> dict[str, str]:
        """Return every setting in the scope's own words, and remember it."""
        self.words = dict(self.scope.settings())
        return self.words

    def reapply(self) -> dict[str, str]:
        """Write every setting again after the link was lost, and prove that it reads back the same.

        Returns
        -------
        What the scope words otherwise than in the last snapshot (``before -> now``).

        Raises
        ------
        InstrumentFault
            If a setting reads back other than before.
        """
        before = (dict(self.channels), self.acquisition, self.trigger)
        self._apply()
        after = (dict(self.channels), self.acquisition, self.trigger)
        if before != after:
            raise InstrumentFault(
                f"oscilloscope: after the link was lost it reads back {after}, before {before}; "
                "check that nobody works at it, then resume the run"
            )
        before_words, now = self.words, self.scope.settings() if self.words else {}
        return {
            name: f"{before_words.get(name)} -> {now.get(name)}"
            for name in sorted(before_words.keys() | now.keys())
            if before_words.get(name) != now.get(name)
        }

    # -- judging ---------------------------------------------------------------------------------
    def require(self) -> None:
        """Raise ``InstrumentFault`` with everything that was read back and is not good enough."""
        problems = list(self._problems())
        if problems:
            raise InstrumentFault("oscilloscope: " + "; ".join(problems))

    def _problems(self) -> Iterator[str]:
        for quantity, wanted in self.wanted.items():
            yield from _channel_problems(quantity, wanted, self.channels[quantity])
        if self.acquisition is not None:
            yield from self._record_problems(self.acquisition)
        if self.trigger is not None:
            asked = trigger_settings(self.recipe, self.bound)
            if (asked.source, asked.slope) != (self.trigger.source, self.trigger.slope):
                yield f"the trigger reads back {self.trigger}, not {asked}"
            room = max(RELATIVE * abs(asked.level), RELATIVE * self._trigger_range())
            if abs(self.trigger.level - asked.level) > room:
                yield (
                    f"the trigger level reads back {format_quantity(self.trigger.level, 'V')}, "
                    f"not {format_quantity(asked.level, 'V')}"
                )

    def _record_problems(self, state: AcquisitionState) -> Iterator[str]:
        asked = self.recipe.acquisition
        if state.sample_rate < asked.minimum_sample_rate * (1 - 1e-6):
            yield (
                f"it samples {format_quantity(asked.duration, 's')} at "
                f"{format_quantity(state.sample_rate, 'Sa/s')}; the recipe asks for at least "
                f"{format_quantity(asked.minimum_sample_rate, 'Sa/s')}. Shorten the record or "
                "use a scope with more memory"
            )
        if state.time_per_record < asked.duration * (1 - 1e-3):
            yield (
                f"a record covers {format_quantity(state.time_per_record, 's')}; the recipe asks "
                f"for {format_quantity(asked.duration, 's')}"
            )

    def _trigger_range(self) -> float:
        source = self.recipe.acquisition.trigger.source
        return self.channels[source].vertical_range if source in self.channels else 1.0

    # -- for the run file ------------------------------------------------------------------------
    def full_scales(self) -> dict[str, float]:
        """Return the range of each quantity, as read back. [V]"""
        return {quantity: s.vertical_range for quantity, s in self.channels.items()}

    def records(self) -> tuple[ChannelRecord, ...]:
        """Return how each quantity is connected and set, as read back."""
        profile = self.scope.profile
        return tuple(
            ChannelRecord(
                quantity=quantity,
                channel=settings.channel,
                unit="V",
                vertical_range=settings.vertical_range,
                vertical_offset=settings.vertical_offset,
                coupling=settings.coupling,
                input_impedance=settings.input_impedance,
                probe=self.bound[quantity].input.probe,
                bits=profile.bits,
                gain_accuracy=profile.gain_accuracy,
                pickup_repeatability=self.bound[quantity].input.pickup_repeatability,
            )
            for quantity, settings in self.channels.items()
        )


def _channel_problems(
    quantity: str, wanted: ChannelSettings, found: ChannelSettings
) -> Iterator[str]:
    if abs(found.vertical_range - wanted.vertical_range) > RELATIVE * wanted.vertical_range:
        yield (
            f"{quantity}: the range reads back {format_quantity(found.vertical_range, 'V')}, "
            f"not {format_quantity(wanted.vertical_range, 'V')}"
        )
    if abs(found.input_impedance - wanted.input_impedance) > 0.1 * wanted.input_impedance:
        yield (
            f"{quantity}: the input impedance reads back "
            f"{format_quantity(found.input_impedance, 'ohm')}, not "
            f"{format_quantity(wanted.input_impedance, 'ohm')}"
        )
    if found.coupling != wanted.coupling:
        yield f"{quantity}: the coupling reads back {found.coupling}, not {wanted.coupling}"
    if not found.enabled:
        yield f"{quantity}: channel {found.channel} reads back as switched off"


def _poorer(state: AcquisitionState, single: AcquisitionState) -> bool:
    """Whether segments changed what one record is."""
    return (
        state.segments < 2
        or state.record_length != single.record_length
        or abs(state.sample_rate - single.sample_rate) > 1e-6 * single.sample_rate
    )
