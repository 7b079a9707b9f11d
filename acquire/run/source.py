"""From a run that also measured the open-circuit voltage to a model of the noise source.

Which captures go together is decided here: the open-circuit shot's voltage, the bare reference's
current, and for each the floor that was taken at its own vertical range.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from acquire.analysis.inputs import Capture
from acquire.analysis.mean_spectra import MeasuredTraces
from acquire.analysis.source_model import SourceModel, estimate_source
from acquire.errors import RefusedError
from acquire.recipe import parse_recipe
from acquire.run.pairing import floor_of
from acquire.run.reanalyse import transducers_in
from acquire.runfile.reader import RunFile


def source_of(path: Path, voltage: str | None = None, current: str | None = None) -> SourceModel:
    """Estimate the source behind the conductor of a run.

    Parameters
    ----------
    path : the run file.
    voltage, current : quantities to use, where the run measured more than one of a kind.

    Raises
    ------
    RefusedError
        If the run has not measured what is needed, with what is missing.
    DamagedFileError
        If the run file is not what was written.
    """
    with RunFile.open(path) as file:
        header = file.header
        recipe = parse_recipe(header.recipe_text, header.recipe_name).recipe
        trigger = recipe.acquisition.trigger.source
        captures = file.captures(transducers_in(file))
    if voltage is None:  # what triggers is the source's own edge, not the voltage across the gap
        captures = [c for c in captures if c.quantity != trigger or c.transducer.unit == "A"]
    volts = _one(
        path, captures, voltage, "V", "open_circuit", "open-circuit voltage",
        "measure a voltage in a condition of the kind open_circuit",
    )  # fmt: skip
    amperes = _one(
        path, captures, current, "A", "reference", "bare current", "measure a current as reference"
    )
    try:
        return estimate_source(_traces(volts, captures), _traces(amperes, captures), volts.step)
    except ValueError as error:
        raise RefusedError(f"{path}: no model of the source: {error}") from error


def _one(
    path: Path,
    captures: Sequence[Capture],
    quantity: str | None,
    unit: str,
    role: str,
    what: str,
    remedy: str,
) -> Capture:
    """Return the one shot to use: that of the wanted quantity, or of the only one."""

    def usable(wanted: Callable[[Capture], bool]) -> list[Capture]:
        return [c for c in captures if c.role == role and not c.faults and wanted(c)]

    found = usable(lambda c: c.transducer.unit == unit and quantity in (None, c.quantity))
    names = list(dict.fromkeys(c.quantity for c in found))
    if not found:
        named = f" of '{quantity}'" if quantity else ""
        raise RefusedError(f"{path}: holds no {what}{named}; {remedy} in the recipe")
    if len(names) > 1:
        raise RefusedError(f"{path}: holds the {what} of {', '.join(names)}; say which to use")
    return min(found, key=lambda c: c.order)


def _traces(capture: Capture, captures: Sequence[Capture]) -> MeasuredTraces:
    return MeasuredTraces.of(capture, floor_of(capture, captures))
