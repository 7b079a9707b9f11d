"""A simulated bench in a process of its own, for what must not share an interpreter."""

from __future__ import annotations

import json
import subprocess
import sys
from types import TracebackType

from simulated_instruments.bench import SimulatedBench


class BenchProcess:
    """Run ``python -m simulated_instruments.process`` and hold its addresses.

    Parameters
    ----------
    arguments : keyword arguments of `SimulatedBench` that are plain data (seed, dialect, ports,
        transport, readback, second_client).

    Raises
    ------
    RuntimeError
        If the process did not print its addresses.
    """

    def __init__(self, **arguments: object) -> None:
        command = [sys.executable, "-m", "simulated_instruments.process", json.dumps(arguments)]
        self._process = subprocess.Popen(  # noqa: S603 - our own module in our own interpreter
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            self.close()
            raise RuntimeError(f"the simulated bench did not start: {arguments}")
        self.resources: dict[str, str] = json.loads(line)

    def close(self) -> None:
        """End the process: it leaves when its standard input closes."""
        self._process.communicate(timeout=10)

    def __enter__(self) -> BenchProcess:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def main() -> None:
    """Serve a bench until standard input ends."""
    arguments = json.loads(sys.argv[1]) if len(sys.argv) > 1 else {}
    if "ports" in arguments:
        arguments["ports"] = tuple(arguments["ports"])
    with SimulatedBench(**arguments) as bench:
        sys.stdout.write(json.dumps(bench.resources) + "\n")
        sys.stdout.flush()
        sys.stdin.read()


if __name__ == "__main__":
    main()
