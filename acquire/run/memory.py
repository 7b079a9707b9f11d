"""Whether this machine's memory holds a run's evaluation.

Shots stream to disk and into the run file, but the analysis holds what it compares: the codes of
all shots, and of each shot the rows that it is reduced to. Where that does not fit, the run file is
stored without a result, to be evaluated elsewhere; the system would otherwise end the process.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from acquire.analysis.shots import most_rows
from acquire.runfile.durable import human
from acquire.runfile.records import ShotEntry

ROW_BYTES = 25
"""Peak of the analysis for each sample of a row, its transforms included: 24 measured with three
measures and 8 rows, 15 with one measure and 16 rows (2 000 000 samples). [byte]"""
_MEMINFO = Path("/proc/meminfo")


def needed(shots: Iterable[ShotEntry]) -> int:
    """Return about what evaluating the shots takes. [byte]"""
    return sum(
        len(shot.ranges)
        * shot.samples
        * (2 * shot.repeats + ROW_BYTES * most_rows(shot.repeats, shot.samples))
        for shot in shots
    )


def available() -> int | None:
    """Return what this process may still take without swapping; None where nobody knows. [byte]"""
    try:
        lines = _MEMINFO.read_text().splitlines()
        return next(int(x.split()[1]) << 10 for x in lines if x.startswith("MemAvailable:"))
    except (OSError, ValueError, IndexError, StopIteration):
        return None


def shortage(shots: Iterable[ShotEntry]) -> str:
    """Return what lacks, and what to do; empty where there is enough."""
    takes, free = needed(shots), available()
    if free is None or takes <= free:
        return ""
    return (
        f"the result was not computed: that takes about {human(takes)} of memory, and "
        f"{human(free)} are free here. Every record is in the run file; evaluate it with "
        "'floorshot reanalyse' where there is more memory, and take shorter records or fewer shots "
        "in one run next time"
    )
