"""Whether a bench can do a recipe. Pure: reads nothing and contacts nothing.

Each is right by itself when it comes here. A complaint is placed in the file that has to change;
where it could be either, in the recipe.
"""

from __future__ import annotations

from collections.abc import Iterator

from acquire.analysis.transfer import known_band
from acquire.bench import LoadedBench
from acquire.errors import Problem
from acquire.quantities import format_quantity
from acquire.recipe import LoadedRecipe
from acquire.textfile import did_you_mean

_ROOM = 1 + 1e-6


def match(recipe: LoadedRecipe, bench: LoadedBench) -> tuple[Problem, ...]:
    """Return everything in the recipe that the bench cannot do; empty where it can do it all."""
    found = [
        *_unbound(recipe, bench),
        *_conditions(recipe, bench),
        *_ohmmeter(recipe, bench),
        *_opened(recipe, bench),
    ]
    for name in recipe.recipe.quantities:
        if name in bench.bench.inputs:
            found += [*_kind(recipe, bench, name)] or [
                *_peak(recipe, bench, name),
                *_bandwidth(recipe, bench, name),
            ]
    return (*found, *_model(recipe, bench))


def _unbound(recipe: LoadedRecipe, bench: LoadedBench) -> Iterator[Problem]:
    for name in recipe.recipe.quantities:
        if name not in bench.bench.inputs:
            message = f"{bench.name} wires no scope input to '{name}'"
            yield recipe.problem(
                ("quantities", name), message + did_you_mean(name, bench.bench.inputs)
            )


def _conditions(recipe: LoadedRecipe, bench: LoadedBench) -> Iterator[Problem]:
    fixture = bench.bench.fixture
    if fixture.kind != "relay":
        return
    for name in dict.fromkeys(shot.condition for shot in recipe.recipe.shots):
        if name not in fixture.conditions:
            message = f"the relay fixture of {bench.name} has no condition '{name}'"
            yield recipe.problem(
                ("conditions", name), message + did_you_mean(name, fixture.conditions)
            )


def _ohmmeter(recipe: LoadedRecipe, bench: LoadedBench) -> Iterator[Problem]:
    targets = any(shot.role == "target" for shot in recipe.recipe.shots)
    if recipe.recipe.conductor.protective and targets and bench.bench.ohmmeter is None:
        message = (
            "a candidate in a protective conductor is checked for continuity before its shot, but "
            f"{bench.name} has no ohmmeter; add one"
        )
        yield recipe.problem(("conductor", "protective"), message)


def _opened(recipe: LoadedRecipe, bench: LoadedBench) -> Iterator[Problem]:
    fixture = bench.bench.fixture
    if fixture.kind != "relay" or not recipe.recipe.conductor.protective:
        return
    for name in dict.fromkeys(shot.condition for shot in recipe.recipe.shots):
        if fixture.conditions.get(name) == ():
            message = (
                "closes no channel, so it would open a conductor that "
                f"{recipe.name} calls protective; name the channels that carry it"
            )
            yield bench.problem(("fixture", "conditions", name), message)


def _kind(recipe: LoadedRecipe, bench: LoadedBench, name: str) -> Iterator[Problem]:
    wired = bench.bench.inputs[name]
    asked, has = recipe.recipe.quantities[name].kind, bench.probes[wired.probe].probe.kind
    if asked != has:
        message = (
            f"'{name}' is a {asked}, but {bench.name} measures it with {wired.probe}, "
            f"which is a {has} probe"
        )
        yield recipe.problem(("quantities", name, "kind"), message)


def _peak(recipe: LoadedRecipe, bench: LoadedBench, name: str) -> Iterator[Problem]:
    """Hold the expected peak against what the probe and the input survive."""
    level, wired = recipe.recipe.quantities[name].expected_peak, bench.bench.inputs[name]
    if level is None:
        return
    probe, place = bench.probes[wired.probe], ("quantities", name, "expected_peak")
    most = probe.probe.maximum_current
    if most is not None and level.value > most * _ROOM:
        message = f"{level} is more than the {format_quantity(most, 'A')} that {wired.probe} bears"
        yield recipe.problem(place, message + "; use another probe")
    volts = level.value * probe.transducer.transfer
    if wired.maximum_input is not None and volts > wired.maximum_input * _ROOM:
        message = (
            f"{level} through {wired.probe} are {format_quantity(volts, 'V')} at the scope, more "
            f"than the maximum_input of {format_quantity(wired.maximum_input, 'V')} in "
            f"{bench.name}; put an attenuator before the input, or use another probe"
        )
        yield recipe.problem(place, message)


def _bandwidth(recipe: LoadedRecipe, bench: LoadedBench, name: str) -> Iterator[Problem]:
    """Hold the asked bandwidth against the probe and a bandwidth limit."""
    asked = recipe.recipe.acquisition.minimum_bandwidth
    if asked is None or not recipe.recipe.quantities[name].evaluated:
        return
    wired, place = bench.bench.inputs[name], ("acquisition", "minimum_bandwidth")
    limits = {f"the probe {wired.probe}": known_band(bench.probes[wired.probe].transducer)[1]}
    if wired.bandwidth_limit is not None:
        limits[f"the bandwidth limit of '{name}' in {bench.name}"] = wired.bandwidth_limit
    for what, ends in limits.items():
        if asked > ends * _ROOM:
            message = f"{what} ends at {format_quantity(ends, 'Hz')}"
            yield recipe.problem(place, message)


def _model(recipe: LoadedRecipe, bench: LoadedBench) -> Iterator[Problem]:
    """Hold the record against the scope's model, where the bench names one."""
    model, asked = bench.scope_profile, recipe.recipe.acquisition
    if model is None:
        return
    if asked.minimum_bandwidth is not None and asked.minimum_bandwidth > model.bandwidth * _ROOM:
        message = f"{model.name} has a bandwidth of {format_quantity(model.bandwidth, 'Hz')}"
        yield recipe.problem(("acquisition", "minimum_bandwidth"), message)
    if asked.minimum_sample_rate > model.maximum_sample_rate * _ROOM:
        most = format_quantity(model.maximum_sample_rate, "Sa/s")
        yield recipe.problem(
            ("acquisition", "minimum_sample_rate"), f"{model.name} takes at most {most}"
        )
    samples = asked.duration * asked.minimum_sample_rate
    if samples > model.maximum_record_length * _ROOM:
        message = (
            f"{format_quantity(asked.duration, 's')} at "
            f"{format_quantity(asked.minimum_sample_rate, 'Sa/s')} are {samples:.3g} samples; "
            f"{model.name} stores at most {model.maximum_record_length} per channel"
        )
        yield recipe.problem(("acquisition", "duration"), message)
