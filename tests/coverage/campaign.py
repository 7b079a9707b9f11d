"""Draw many synthetic runs with known truth and see how often the intervals hold it.

    python tests/coverage/campaign.py --runs 200            the whole table, as markdown
    python tests/coverage/campaign.py --runs 100 --only drift

What is counted, per regime and measure: a *resolved* result holds when its interval contains the
truth; a *floor-limited* one holds when the truth is at least its bound.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from synthetic import Regime, choices_for, draw  # noqa: E402 - after the path

from acquire.analysis.evaluate import evaluate  # noqa: E402 - after the path

MEASURES = ("peak_to_peak", "rms", "band_b")


def regimes() -> dict[str, Regime]:
    base = Regime(
        attenuation=40,
        pickup="mixed",
        floor_db=-6,
        repeats=16,
        jitter=0.03,
        drift=0.01,
        trigger_jitter=0.0,
        bits=8,
        pickup_repeatability=0.02,
        gain_accuracy=0.0,
    )
    table = {"base": base}
    for value in (10, 25, 55, 70):
        table[f"attenuation {value} dB"] = replace(base, attenuation=value)
    for value in ("none", "coherent", "incoherent", "mixed"):
        for floor in (-20, 0, 10, 20):
            table[f"{value} floor {floor:+d} dB"] = replace(base, pickup=value, floor_db=floor)
    for value in (4, 64):
        for floor in (-20, -6, 6, 20):
            table[f"{value} repeats, floor {floor:+d} dB"] = replace(
                base, repeats=value, floor_db=floor
            )
    for value in (0.0, 0.1):
        table[f"amplitude jitter {100 * value:g} %"] = replace(base, jitter=value)
    for value in (0.0, 0.02, 0.05):
        table[f"drift {100 * value:g} %"] = replace(base, drift=value)
    for value in (0.5, 2.0):
        table[f"trigger jitter {value:g} samples"] = replace(base, trigger_jitter=value)
        table[f"trigger jitter {value:g} samples, floor +6 dB"] = replace(
            base, trigger_jitter=value, floor_db=6
        )
    table["12 bits"] = replace(base, bits=12)
    table["12 bits, floor +10 dB"] = replace(base, bits=12, floor_db=10)
    table["vertical gain 2 %"] = replace(base, gain_accuracy=0.02)
    table["pickup moves 5 %"] = replace(base, pickup_repeatability=0.05, floor_db=0)
    table["events do not repeat"] = replace(base, repeatable=False, pickup="incoherent", repeats=64)
    table["all at once"] = replace(
        base, jitter=0.1, drift=0.05, trigger_jitter=2.0, floor_db=0, gain_accuracy=0.02
    )
    table["all at once, 64 repeats"] = replace(table["all at once"], repeats=64)
    return table


@dataclass(frozen=True)
class Row:
    """One result of one run against its truth."""

    regime: str
    measure: str
    truth: float
    db: float
    low: float
    high: float
    state: str
    method: str
    clear: float
    """Residual above the coherent-subtracted floor. [dB]"""


def one(task: tuple[str, Regime, int, tuple[str, ...]]) -> list[Row]:
    name, regime, seed, measures = task
    drawn = draw(regime, [seed, abs(hash_of(name))], measures)
    rows = []
    for result in evaluate(drawn.captures, choices_for(regime, measures)).results:
        if result.quantity != "lead_current":
            continue
        a, m = result.attenuation, result.measure
        rows.append(
            Row(
                name,
                m,
                drawn.truth_db[m],
                np.nan if a.db is None else a.db,
                -np.inf if a.interval_db[0] is None else a.interval_db[0],
                np.inf if a.interval_db[1] is None else a.interval_db[1],
                a.state,
                a.method,
                20 * np.log10(drawn.residual[m] / drawn.coherent_floor[m]),
            )
        )
    return rows


def hash_of(text: str) -> int:
    """Return a number from a text that is the same in every process."""
    return int.from_bytes(text.encode()[-12:], "little") % (1 << 32)


def run(names, runs: int, measures=MEASURES, workers: int = 1) -> list[Row]:
    table = regimes()
    tasks = [(name, table[name], seed, tuple(measures)) for name in names for seed in range(runs)]
    if workers == 1:
        return [row for task in tasks for row in one(task)]
    with ProcessPoolExecutor(workers) as pool:
        return [row for rows in pool.map(one, tasks, chunksize=20) for row in rows]


@dataclass(frozen=True)
class Summary:
    """What the runs of one regime and measure show."""

    runs: int
    holds: float
    resolved_holds: float
    bias: float
    width: float
    limited: float
    false_bound: float
    """False bounds, of all runs."""
    invalid: float
    clear: float
    method: str


def summarise(rows: list[Row]) -> Summary:
    truth = np.array([r.truth for r in rows])
    low, high = np.array([r.low for r in rows]), np.array([r.high for r in rows])
    state = np.array([r.state for r in rows])
    holds = (low <= truth) & (truth <= high)
    resolved, limited = state == "resolved", state == "floor-limited"
    valid = resolved | limited
    db = np.array([r.db for r in rows])
    methods = [r.method for r in rows]
    return Summary(
        runs=len(rows),
        holds=float(holds[valid].mean()) if valid.any() else np.nan,
        resolved_holds=float(holds[resolved].mean()) if resolved.any() else np.nan,
        bias=float((db - truth)[resolved].mean()) if resolved.any() else np.nan,
        width=float(np.median((high - low)[resolved])) if resolved.any() else np.nan,
        limited=float(limited.mean()),
        false_bound=float((limited & ~holds).sum() / max(1, limited.sum())),
        invalid=float((~valid).mean()),
        clear=float(np.median([r.clear for r in rows])),
        method=max(set(methods), key=methods.count),
    )


def percent(value: float) -> str:
    return "–" if np.isnan(value) else f"{100 * value:.1f}"


def table(rows: list[Row]) -> str:
    """Return the markdown table."""
    lines = [
        "| regime | measure | residual over averaged floor /dB | intervals that hold the truth /% |"
        " of the resolved /% | bias /dB | width /dB | floor-limited /% | false bounds /% |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((row.regime, row.measure), []).append(row)
    for (name, measure), group in groups.items():
        s = summarise(group)
        bias = "–" if np.isnan(s.bias) else f"{s.bias:+.2f}"
        width = "–" if np.isnan(s.width) else f"{s.width:.2f}"
        bound = percent(s.false_bound) if s.limited else "–"
        other = "" if s.method == "coherent" else f" ({s.method})"
        other += f" ({percent(s.invalid)} % invalid)" if s.invalid else ""
        lines.append(
            f"| {name}{other} | {measure} | {s.clear:+.0f} | {percent(s.holds)} | "
            f"{percent(s.resolved_holds)} | {bias} | {width} | {percent(s.limited)} | {bound} |"
        )
    for measure in (*dict.fromkeys(r.measure for r in rows), "all"):
        chosen = [r for r in rows if measure in ("all", r.measure)]
        s = summarise(chosen)
        lines.append(
            f"| **overall** | {measure} | | **{percent(s.holds)}** | {percent(s.resolved_holds)} | "
            f"{s.bias:+.2f} | {s.width:.2f} | {percent(s.limited)} | {percent(s.false_bound)} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--only", default="", help="regimes whose name contains this")
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    names = [name for name in regimes() if asked.only in name]
    sys.stdout.write(table(run(names, asked.runs, workers=asked.workers)) + "\n")


if __name__ == "__main__":
    main()
