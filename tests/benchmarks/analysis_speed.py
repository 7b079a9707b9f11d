"""Time and memory of the analysis, as ratios within one run.

Run it from the project's folder::

    python tests/benchmarks/analysis_speed.py [--small]

Every case runs in a process of its own, so that its peak memory is its own. "Extra" is what the
case needs beyond the codes it is given. Plain numpy is what one would write without thought: each
trace as volts in doubles, its extremes, its RMS, and one transform for a band.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
STEP = 1e-9
BAND = (150e3, 30e6)
GAIN, OFFSET = 0.01, 0.003


def make_codes(repeats: int, samples: int) -> np.ndarray:
    """A ringing burst in noise, 8 bits. Made in pieces, so that it costs no memory of its own."""
    rng = np.random.default_rng(1)
    codes = np.empty((repeats, samples), np.int8)
    piece = 1 << 20
    for row in codes:
        for start in range(0, samples, piece):
            part = row[start : start + piece]
            part[:] = np.rint(rng.normal(0.0, 1.5, part.size))
        burst = np.arange(min(samples - samples // 10, 20_000)) * STEP
        ring = 90.0 * np.exp(-burst / 2e-6) * np.sin(2 * np.pi * 3e6 * burst)
        row[samples // 10 : samples // 10 + burst.size] += np.rint(ring).astype(np.int8)
    return codes


def plain(codes: np.ndarray) -> None:
    """Volts in doubles, trace by trace."""
    frequency = np.fft.rfftfreq(codes.shape[1], STEP)
    inside = (frequency >= BAND[0]) & (frequency < BAND[1])
    for row in codes:
        volts = row * GAIN + OFFSET
        np.ptp(volts)
        np.sqrt(np.mean((volts - volts.mean()) ** 2))
        np.sqrt(2.0 * np.sum(np.abs(np.fft.rfft(volts)[inside]) ** 2)) / volts.size


def ours(codes: np.ndarray) -> None:
    """Straight from the codes."""
    from acquire.analysis.bands import band_levels
    from acquire.analysis.code_levels import code_peak_to_peak, code_rms

    for top in range(0, len(codes), 4):
        rows = codes[top : top + 4]
        _ = code_peak_to_peak(rows) * GAIN
        _ = code_rms(rows) * GAIN
        _ = band_levels(rows, STEP, (BAND,)) * GAIN


def measures(codes: np.ndarray) -> None:
    """Through the table of measures, as an evaluation does it."""
    from acquire.analysis.measures import MEASURES, record_levels

    shot = capture(codes)
    for name in ("peak_to_peak", "rms", "band_b"):
        record_levels(shot, MEASURES[name])


def capture(codes: np.ndarray):
    from acquire.analysis.inputs import Capture, Transducer

    repeats = len(codes)
    return Capture(
        shot="01_reference_bare",
        order=1,
        role="reference",
        condition="bare",
        quantity="lead_current",
        codes=codes,
        gain=np.full(repeats, GAIN),
        offset=np.full(repeats, OFFSET),
        start=np.zeros(repeats),
        step=STEP,
        trigger_time=np.arange(repeats) * 0.1,
        bits=8,
        vertical_range=2.56,
        transducer=Transducer("clamp", "A", 5.0, (1e4, 1e8), 0.01),
    )


def power_spectrum(codes: np.ndarray) -> None:
    from acquire.analysis.spectra import capture_spectrum
    from acquire.analysis.spectrum_grid import SpectrumSetup

    capture_spectrum(capture(codes), None, SpectrumSetup("power"))


def coherent_spectrum(codes: np.ndarray) -> None:
    from acquire.analysis.spectra import capture_spectrum
    from acquire.analysis.spectrum_grid import SpectrumSetup

    capture_spectrum(capture(codes), None, SpectrumSetup("coherent"))


def facts(codes: np.ndarray) -> None:
    from acquire.analysis.pulse import capture_pulse_facts

    capture_pulse_facts(capture(codes), burst_rate=1e3)


def prediction(codes: np.ndarray) -> None:
    from acquire.analysis.candidates import inductor
    from acquire.analysis.mean_spectra import MeasuredTraces
    from acquire.analysis.prediction import predict
    from acquire.analysis.source_model import estimate_source

    shot = MeasuredTraces.of(capture(codes))
    predict(estimate_source(shot, shot, STEP), inductor(100e-6))


CASES: dict[str, Callable[[np.ndarray], None]] = {
    function.__name__: function
    for function in (
        plain, ours, measures, power_spectrum, coherent_spectrum, facts, prediction,
    )
}  # fmt: skip


def peak_memory() -> float:
    """Peak of this process so far. [MB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def run_one(name: str, repeats: int, samples: int) -> None:
    """In a process of its own: print processor time, wall time, and memory beyond the codes."""
    import scipy.fft
    import scipy.signal
    import scipy.stats  # noqa: F401 - its memory is not the case's

    codes = make_codes(repeats, samples)
    CASES[name](make_codes(4, 20_000))  # whatever is imported or planned on first use
    before = peak_memory()
    wall, processor = time.perf_counter(), time.process_time()
    CASES[name](codes)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    sys.stdout.write(f"{wall} {processor} {peak_memory() - before}\n")


def measure(name: str, repeats: int, samples: int) -> tuple[float, float, float]:
    answer = subprocess.run(
        [sys.executable, __file__, "--one", name, str(repeats), str(samples)],
        capture_output=True,
        text=True,
        check=True,
        cwd=PROJECT,
        env={"PYTHONPATH": str(PROJECT), "OPENBLAS_NUM_THREADS": "1"},
    )
    wall, processor, memory = map(float, answer.stdout.split())
    return wall, processor, memory


def main(small: bool) -> None:
    sizes = [(20, 100_000), (1, 2_000_000)] if small else [(100, 1_000_000), (1, 100_000_000)]
    many = {*CASES}
    one = {"plain", "ours", "measures"}
    for (repeats, samples), names in zip(sizes, (many, one), strict=True):
        megabytes = repeats * samples / 1e6
        sys.stdout.write(f"\n{repeats} x {samples} samples, int8 ({megabytes:g} MB)\n")
        head = f"{'case':<20}{'wall [s]':>10}{'of plain':>10}{'cpu [s]':>10}{'extra [MB]':>12}\n"
        sys.stdout.write(head)
        base = None
        for name in (case for case in CASES if case in names):
            wall, processor, memory = measure(name, repeats, samples)
            base = base or wall
            sys.stdout.write(
                f"{name:<20}{wall:>10.2f}{wall / base:>10.2f}{processor:>10.2f}{memory:>12.0f}\n"
            )


if __name__ == "__main__":
    if "--one" in sys.argv:
        run_one(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
    else:
        main("--small" in sys.argv)
