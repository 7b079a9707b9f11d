"""From volts at the scope to the quantity, over the band where the transducer is known.

A flat transducer divides by one number. One with a table is divided out over frequency, inside its
band only: what lies outside is left out of the result, never extrapolated. In both cases the share
of the trace's energy that lies outside the band is reported, with a warning where it matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from acquire.analysis.inputs import Complexes, Floats, Transducer, TransferTable

Mask = npt.NDArray[np.bool_]

WARN_ABOVE = 0.01
"""Share of energy outside the band that is worth a warning: 1 % is 0.04 dB of RMS."""
_BLOCK = 1 << 22


@dataclass(frozen=True, slots=True, eq=False)
class Deembedded:
    """Traces in the quantity's unit.

    Attributes
    ----------
    values : shape as given.
    energy_outside_fraction : share of the traces' energy outside ``band``, over all traces. The
        mean is left out of it unless the band begins at 0 Hz. [1]
    warning : a sentence where that share is above ``WARN_ABOVE``, or the table has no phase.
    band : (low, high) where the transfer is known. [Hz]
    """

    values: Floats
    energy_outside_fraction: float
    warning: str | None
    band: tuple[float, float]


def known_band(transducer: Transducer) -> tuple[float, float]:
    """Return (low, high) where the transfer is known: the band, within the table's ends. [Hz]"""
    low, high = transducer.band
    if transducer.table is not None:
        frequency = transducer.table.frequency
        low, high = max(low, float(frequency[0])), min(high, float(frequency[-1]))
    return low, high


def interpolate(table: TransferTable, frequency: Floats) -> Complexes:
    """Return the complex transfer at ``frequency``; NaN outside the table.

    Magnitude is linear in log-log, phase is unwrapped and linear in frequency (a delay stays
    a delay); a table without phase gives phase 0.

    Parameters
    ----------
    table : the calibration.
    frequency : any shape. [Hz]

    Returns
    -------
    Shape of ``frequency``. [ohm or 1]
    """
    inside = (frequency >= table.frequency[0]) & (frequency <= table.frequency[-1])
    result = np.full(frequency.shape, complex(np.nan, np.nan))
    at = frequency[inside]
    log_magnitude = np.interp(np.log(at), np.log(table.frequency), np.log(table.magnitude))
    phase = np.zeros_like(at)
    if table.phase is not None:
        phase = np.interp(at, table.frequency, np.unwrap(table.phase))
    result[inside] = np.exp(log_magnitude + 1j * phase)
    return result


def transfer_at(transducer: Transducer, frequency: Floats) -> Complexes:
    """Return the transfer at ``frequency``; NaN where it is not known. [ohm or 1]"""
    low, high = known_band(transducer)
    inside = (frequency >= low) & (frequency <= high)
    if transducer.table is None:
        return np.where(inside, complex(transducer.transfer), complex(np.nan, np.nan))
    return np.where(inside, interpolate(transducer.table, frequency), complex(np.nan, np.nan))


def relative_uncertainty_at(transducer: Transducer, frequency: Floats) -> Floats:
    """Return the standard relative uncertainty of the transfer at ``frequency``. [1]

    The table's own, linear in log frequency and held at its ends; else the flat figure.
    """
    table = transducer.table
    if table is None or table.relative_uncertainty is None:
        return np.full(frequency.shape, transducer.relative_uncertainty)
    safe = np.maximum(frequency, table.frequency[0])
    return np.asarray(np.interp(np.log(safe), np.log(table.frequency), table.relative_uncertainty))


def deembed(volts: Floats, step: float, transducer: Transducer) -> Deembedded:
    """Turn volts into the quantity.

    With a table, the record is taken as one period (a trace that does not return to where it began
    carries a step at its ends, as in any spectrum without a window). The result then has no
    content outside ``known_band``, and no mean unless the band begins at 0 Hz.

    Parameters
    ----------
    volts : shape (..., time). [V]
    step : sample interval. [s]
    transducer : how volts become the quantity.

    Raises
    ------
    ValueError : no bin of the record lies inside the band, so nothing can be corrected.
    """
    samples = volts.shape[-1]
    frequency = scipy.fft.rfftfreq(samples, step)
    transfer = transfer_at(transducer, frequency)
    inside = np.isfinite(transfer)
    if not inside.any():
        low, high = known_band(transducer)
        raise ValueError(
            f"probe {transducer.name}: no frequency of a record of {samples} samples at "
            f"{step:g} s lies within {low:g} to {high:g} Hz; take a longer record, sample "
            "faster, or use another probe"
        )
    inverse = (
        None
        if transducer.table is None
        else np.where(inside, 1.0, 0.0) / np.where(inside, transfer, 1.0)
    )
    rows = volts.reshape(-1, samples)
    values = np.empty(rows.shape)
    total = outside = 0.0
    height = max(1, _BLOCK // samples)
    for top in range(0, len(rows), height):
        block = rows[top : top + height]
        spectrum = scipy.fft.rfft(block, axis=-1)
        power = _bin_powers(spectrum, samples)
        if transducer.band[0] > 0.0:
            power[0] = 0.0
        total += float(power.sum())
        outside += float(power[~inside].sum())
        if inverse is None:
            values[top : top + height] = block / transducer.transfer
        else:
            values[top : top + height] = scipy.fft.irfft(spectrum * inverse, samples, axis=-1)
    fraction = outside / total if total > 0.0 else 0.0
    band = known_band(transducer)
    return Deembedded(
        values.reshape(volts.shape), fraction, _warning(transducer, fraction, band), band
    )


def _bin_powers(spectrum: Complexes, samples: int) -> Floats:
    """Return the power of each bin, summed over rows, counting both signs of frequency."""
    power: Floats = np.einsum("ij,ij->j", spectrum.real, spectrum.real)
    power += np.einsum("ij,ij->j", spectrum.imag, spectrum.imag)
    power[1:] *= 2.0
    if samples % 2 == 0:
        power[-1] /= 2.0
    return power


def _warning(transducer: Transducer, fraction: float, band: tuple[float, float]) -> str | None:
    sentences = []
    if fraction > WARN_ABOVE:
        fate = "left out" if transducer.table is not None else "scaled as if the probe were flat"
        sentences.append(
            f"{100.0 * fraction:.2g} % of the energy lies outside the band of probe "
            f"{transducer.name} ({band[0]:g} to {band[1]:g} Hz) and is {fate}"
        )
    if transducer.table is not None and transducer.table.phase is None:
        sentences.append(
            f"the table of probe {transducer.name} has no phase: spectra and RMS are corrected, "
            "the shape of the trace and its peak-to-peak are not"
        )
    return "; ".join(sentences) or None
