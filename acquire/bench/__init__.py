"""The bench profile: the instruments, wiring, probes and fixture of one site."""

from acquire.bench.loading import LoadedBench, calibrations, json_schema, load_bench, parse_bench
from acquire.bench.probes import LoadedProbe, load_probe, parse_probe

__all__ = [
    "LoadedBench",
    "LoadedProbe",
    "calibrations",
    "json_schema",
    "load_bench",
    "load_probe",
    "parse_bench",
    "parse_probe",
]
