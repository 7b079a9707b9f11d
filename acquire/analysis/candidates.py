"""Impedance over frequency of what might be put into the conductor."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from acquire.analysis.inputs import Complexes, Floats, TransferTable
from acquire.analysis.transfer import interpolate


@dataclass(frozen=True, slots=True)
class Candidate:
    """A series impedance that is added to the bare conductor.

    Attributes
    ----------
    name : for people.
    impedance : frequency, shape (n,), above 0 [Hz] -> complex impedance, NaN where it is not
        known. [ohm]
    relative_uncertainty : standard, of the magnitude at all frequencies alike. [1]
    """

    name: str
    impedance: Callable[[Floats], Complexes]
    relative_uncertainty: float = 0.0


def inductor(
    inductance: float,
    series_resistance: float = 0.0,
    parallel_resistance: float = math.inf,
    parallel_capacitance: float = 0.0,
    relative_uncertainty: float = 0.0,
) -> Candidate:
    """Return a winding: its inductance, core loss and stray capacitance in parallel, and a wire.

    Parameters
    ----------
    inductance : [H]
    series_resistance : of the wire. [ohm]
    parallel_resistance : core loss; infinite = none. [ohm]
    parallel_capacitance : stray capacitance. [F]
    relative_uncertainty : standard; a tolerance of a core of +-25 % is 0.14. [1]

    Raises
    ------
    ValueError : a value is not physical.
    """
    _above_zero("inductance", inductance, "H")
    _above_zero("parallel resistance", parallel_resistance, "ohm")
    _not_negative("series resistance", series_resistance, "ohm")
    _not_negative("parallel capacitance", parallel_capacitance, "F")

    def impedance(frequency: Floats) -> Complexes:
        omega = 2.0 * np.pi * frequency
        admittance = 1.0 / (1j * omega * inductance) + 1.0 / parallel_resistance
        admittance = admittance + 1j * omega * parallel_capacitance
        return np.asarray(series_resistance + 1.0 / admittance)

    return Candidate(f"inductor of {inductance:g} H", impedance, relative_uncertainty)


def series_rlc(
    resistance: float,
    inductance: float = 0.0,
    capacitance: float = math.inf,
    relative_uncertainty: float = 0.0,
) -> Candidate:
    """Return resistance, inductance and capacitance in series.

    Parameters
    ----------
    resistance : [ohm]
    inductance : [H]
    capacitance : infinite = none. [F]
    relative_uncertainty : standard. [1]

    Raises
    ------
    ValueError : a value is not physical.
    """
    _not_negative("resistance", resistance, "ohm")
    _not_negative("inductance", inductance, "H")
    _above_zero("capacitance", capacitance, "F")

    def impedance(frequency: Floats) -> Complexes:
        omega = 2.0 * np.pi * frequency
        return np.asarray(resistance + 1j * omega * inductance - 1j / (omega * capacitance))

    name = f"{resistance:g} ohm, {inductance:g} H"
    if math.isfinite(capacitance):
        name += f", {capacitance:g} F"
    return Candidate(f"series of {name}", impedance, relative_uncertainty)


def tabulated(name: str, table: TransferTable) -> Candidate:
    """Return a measured impedance over frequency (in the form of a transfer table, in ohm).

    Outside the table it is not known, and nothing is predicted there. Its uncertainty is the
    largest of the table's.

    Raises
    ------
    ValueError : the table has no phase.
    """
    if table.phase is None:
        raise ValueError(
            f"the impedance table of {name} has no phase; a prediction needs one (add a phase "
            "column, or describe the candidate by inductance, resistance and capacitance)"
        )
    uncertainty = table.relative_uncertainty
    return Candidate(
        name,
        lambda frequency: interpolate(table, frequency),
        0.0 if uncertainty is None else float(uncertainty.max()),
    )


def _above_zero(name: str, value: float, unit: str) -> None:
    if not value > 0.0:
        raise ValueError(f"{name} must be above 0 {unit}, found {value:g}")


def _not_negative(name: str, value: float, unit: str) -> None:
    if not 0.0 <= value < math.inf:
        raise ValueError(f"{name} must be finite and not negative, found {value:g} {unit}")
