"""Further views of a stored run: attenuation spectra, and what kind of signal each shot holds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from acquire.analysis.attenuation_spectrum import AttenuationSpectrum, attenuation_spectrum
from acquire.analysis.budget import gain_uncertainty
from acquire.analysis.inputs import Capture
from acquire.analysis.measures import MEASURES, record_levels
from acquire.analysis.pulse import PulseFacts, capture_pulse_facts
from acquire.analysis.shots import prepare
from acquire.analysis.spectra import capture_spectrum
from acquire.analysis.spectrum_grid import SpectrumSetup
from acquire.errors import BadInputError, RefusedError
from acquire.recipe import parse_recipe
from acquire.recipe.schema import Recipe
from acquire.run.pairing import floor_of
from acquire.run.reanalyse import transducers_in
from acquire.runfile.reader import RunFile


@dataclass(frozen=True, slots=True)
class CandidateSpectrum:
    """Attenuation over frequency of one target shot; ``shot`` is its name in the run file."""

    shot: str
    condition: str
    quantity: str
    spectrum: AttenuationSpectrum


@dataclass(frozen=True, slots=True)
class ShotFacts:
    """The pulse facts of one quantity of one shot."""

    shot: str
    condition: str
    quantity: str
    facts: PulseFacts


def spectra_of(
    path: Path, setup: SpectrumSetup, condition: str | None = None, quantity: str | None = None
) -> list[CandidateSpectrum]:
    """Compare each target with the opening reference over frequency.

    Parameters
    ----------
    path : the run file.
    setup : averaging, window and resolution.
    condition, quantity : only this one; None = all, but the quantity that only triggers.

    Raises
    ------
    BadInputError
        If the run holds nothing of that name.
    RefusedError
        If two shots cannot be compared, with the reason.
    DamagedFileError
        If the run file is not what was written.
    """
    captures, recipe = _read(path)
    chosen = _chosen(path, captures, recipe, "target", condition, quantity)
    return [_compared(path, one, captures, recipe, setup) for one in chosen]


def facts_of(
    path: Path,
    condition: str | None = None,
    quantity: str | None = None,
    burst_rate: float | None = None,
) -> list[ShotFacts]:
    """Say what kind of signal each shot holds, floors aside.

    Parameters
    ----------
    burst_rate : where it is known, such as the inverter's switching frequency. [Hz]
    path, condition, quantity : as in ``spectra_of``.

    Raises
    ------
    As ``spectra_of``.
    """
    captures, recipe = _read(path)
    chosen = _chosen(path, captures, recipe, None, condition, quantity)
    return [
        ShotFacts(c.shot, c.condition, c.quantity, _facts(c, captures, recipe, burst_rate))
        for c in chosen
    ]


def _facts(
    capture: Capture, captures: Sequence[Capture], recipe: Recipe, burst_rate: float | None
) -> PulseFacts:
    facts = capture_pulse_facts(capture, burst_rate)
    floor = floor_of(capture, captures)
    if floor is None:
        return facts
    own, noise = (float(record_levels(c, MEASURES["rms"]).mean()) for c in (capture, floor))
    if own > noise * 10 ** (recipe.analysis.margin / 20):
        return facts
    said = (
        "its RMS stands less than the recipe's margin above the floor: what is listed is mostly "
        "noise and pickup, not the conductor's current"
    )
    return replace(facts, remarks=(said, *facts.remarks))


def _read(path: Path) -> tuple[list[Capture], Recipe]:
    with RunFile.open(path) as file:
        recipe = parse_recipe(file.header.recipe_text, file.header.recipe_name).recipe
        return file.captures(transducers_in(file)), recipe


def _chosen(
    path: Path,
    captures: Sequence[Capture],
    recipe: Recipe,
    role: str | None,
    condition: str | None,
    quantity: str | None,
) -> list[Capture]:
    trigger = recipe.acquisition.trigger.source
    lonely = {c.quantity for c in captures} == {trigger}
    found = [
        c
        for c in captures
        if (c.role == role if role else c.role != "floor")
        and not c.faults
        and condition in (None, c.condition)
        and (c.quantity == quantity if quantity else lonely or c.quantity != trigger)
    ]
    if not found:
        known = sorted({f"{c.quantity} in {c.condition}" for c in captures if c.role != "floor"})
        raise BadInputError(
            f"{path}: no usable shot of that condition and quantity; it holds {', '.join(known)}"
        )
    return found


def _compared(
    path: Path,
    target: Capture,
    captures: Sequence[Capture],
    recipe: Recipe,
    setup: SpectrumSetup,
) -> CandidateSpectrum:
    reference = next(_references(target, captures), None)
    if reference is None:
        raise RefusedError(f"{path}: {target.shot} has no usable reference of {target.quantity}")
    try:
        spectrum = attenuation_spectrum(
            capture_spectrum(reference, floor_of(reference, captures), setup),
            capture_spectrum(target, floor_of(target, captures), setup),
            margin=recipe.analysis.margin,
            coverage=recipe.analysis.coverage,
            scale_uncertainty=_scale_uncertainty(reference, target),
        )
    except ValueError as error:
        raise RefusedError(f"{path}: {target.shot} against {reference.shot}: {error}") from error
    return CandidateSpectrum(target.shot, target.condition, target.quantity, spectrum)


def _references(target: Capture, captures: Sequence[Capture]) -> Iterator[Capture]:
    for capture in captures:
        if (capture.role, capture.quantity) == (
            "reference",
            target.quantity,
        ) and not capture.faults:
            yield capture


def _scale_uncertainty(reference: Capture, target: Capture) -> float:
    """Return the standard uncertainty of the ratio of both gains: none at one common range. [1]"""
    if abs(reference.vertical_range / target.vertical_range - 1) < 1e-6:
        return 0.0
    return math.hypot(*(gain_uncertainty(prepare(c, ())) for c in (reference, target)))
