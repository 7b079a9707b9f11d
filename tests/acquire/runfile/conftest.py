"""A small run in our own scenario: a wind tunnel's fan inverter and a rack's bonding lead."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import h5py
import numpy as np
import pytest

from acquire.analysis.inputs import Codes, Transducer
from acquire.runfile import (
    ChannelRecord,
    Event,
    InstrumentRecord,
    RunHeader,
    ShotHeader,
    ShotQuality,
    Spool,
)
from acquire.runfile.seal import read_seal, write_seal

START = datetime(2025, 3, 4, 9, 15, tzinfo=UTC)
RECIPE = "floorshot_recipe: 1\ntitle: Bonding lead of the force-balance rack, 5 µs\r\n\n"
DOCUMENT = json.dumps(
    {
        "format": "floorshot-result",
        "version": 1,
        "results": [
            {
                "condition": "choke",
                "quantity": "lead_current",
                "measure": "rms",
                "reference": {"value": 0.31, "unit": "A", "standard_uncertainty": 0.002},
                "observed": {"value": 0.011, "unit": "A", "standard_uncertainty": 0.001},
                "floor": {"value": 0.004, "unit": "A", "standard_uncertainty": None},
                "corrected": {"value": 0.0102, "unit": "A", "standard_uncertainty": 0.001},
                "attenuation": {
                    "ratio": None, "db": None, "interval_db": [28.7, None], "coverage": 0.95,
                    "method": "power", "state": "floor-limited", "reason": "µ",
                },
                "by_method": {
                    "none": {
                        "corrected": {"value": 0.011, "unit": "A", "standard_uncertainty": 0.001},
                        "attenuation": {"ratio": 28.2, "db": 29.0, "interval_db": [28, 30],
                                        "coverage": 0.95, "method": "none",
                                        "state": "resolved", "reason": ""},
                        "bounds_db": [26.0, None],
                    }
                },
                "budget": [{"source": "repeatability", "kind": "A",
                            "standard_uncertainty_db": 0.1, "degrees_of_freedom": 9},
                           {"source": "probe", "kind": "B",
                            "standard_uncertainty_db": 0.2, "degrees_of_freedom": None}],
            }
        ],
        "limits": [{"condition": "choke", "quantity": "lead_current", "measure": "rms",
                    "attenuation_at_least": 20.0, "residual_at_most": None,
                    "verdict": "pass", "reason": "28.7 dB or more"}],
    },
    ensure_ascii=False,
)  # fmt: skip


@dataclass(frozen=True)
class FakeTrace:
    """A trace as a driver would hand it over."""

    codes: Codes
    gain: float = 0.4 / 256
    offset: float = 0.003
    start: float = -2e-6
    step: float = 4e-9
    bits: int = 8
    preamble: str = "1,0,500,1"


class Maker:
    """Makes records, spools and run files for tests."""

    start = START
    document = DOCUMENT
    recipe = RECIPE
    transducers: ClassVar = {
        "lead_current": Transducer("clamp", "A", 5.0, (1e4, 1e8), 0.02),
        "supply_voltage": Transducer("divider", "V", 0.1, (0.0, 2e8), 0.01),
    }
    trace = FakeTrace

    def header(self, **changes: Any) -> RunHeader:
        header = RunHeader(
            run_id="20250304T091500Z-7f3a",
            site="wind tunnel, bay 3",
            recipe_name="rack.yaml",
            recipe_text=RECIPE,
            recipe_sha256="1" * 64,
            bench_name="bay3.yaml",
            bench_text="floorshot_bench: 1\n",
            bench_sha256="2" * 64,
            probe_texts={"clamp": "name: clamp\n", "clamp.csv": "1e6,5\n", "empty": ""},
            plan_json='{"steps":[]}',
            plan_sha256="3" * 64,
            software="floorshot 0.1.0",
            started=START,
        )
        return dataclasses.replace(header, **changes)

    def channel(self, quantity: str, number: int = 1, **changes: Any) -> ChannelRecord:
        channel = ChannelRecord(
            quantity=quantity, channel=number, unit="V", vertical_range=0.4, vertical_offset=0.0,
            coupling="DC", input_impedance=50.0, probe="clamp", bits=8, gain_accuracy=0.02,
            pickup_repeatability=0.02,
        )  # fmt: skip
        return dataclasses.replace(channel, **changes)

    def shot(self, name: str, repeats: int = 3, samples: int = 500, **changes: Any) -> ShotHeader:
        number, role, condition = name.split("_", 2)
        header = ShotHeader(
            name=name, order=int(number), step=10 + int(number), role=role,  # type: ignore[arg-type]  # given as text
            condition=condition, repeats=repeats, record_length=samples, started=START, attempt=1,
            channels=(self.channel("supply_voltage", 2, vertical_range=8.0),
                      self.channel("lead_current")),
            settings={"TRIGger:LEVel": "1.2E+0"},
        )  # fmt: skip
        return dataclasses.replace(header, **changes)

    def codes(self, seed: int, samples: int, kind: str = "int8") -> Codes:
        info = np.iinfo(kind)
        generator = np.random.default_rng(seed)
        codes: Codes = generator.integers(info.min, info.max, samples, kind, endpoint=True)
        return codes

    def take(self, spool: Spool, header: ShotHeader, samples: int = 500, kind: str = "int8",
             per_repeat: bool = False) -> None:  # fmt: skip
        """Take one shot with codes that its order, repeat and channel determine."""
        with spool.begin_shot(header) as writer:
            for repeat in range(header.repeats):
                for channel in header.channels:
                    codes = self.expected(header.order, repeat, channel.quantity, samples, kind)
                    gain = FakeTrace.gain * (1 + per_repeat * repeat / 10)
                    trace = FakeTrace(codes, gain=gain, preamble=f"{repeat * per_repeat}")
                    writer.append(channel.quantity, repeat, trace, 0.02 * repeat)
            writer.commit(ShotQuality({"lead_current": 2}, ("a remark",), ()))

    def expected(self, order: int, repeat: int, quantity: str, samples: int = 500,
                 kind: str = "int8") -> Codes:  # fmt: skip
        seed = 1000 * order + 10 * repeat + len(quantity)
        return self.codes(seed, samples, kind)

    def spool(self, folder: Path) -> Spool:
        """Make a spool with three shots: int8, int16, and one whose gain differs by repeat."""
        spool = Spool.create(folder, self.header())
        spool.set_instruments(
            [
                InstrumentRecord("scope", "TCPIP::127.0.0.1::5025::SOCKET",
                                 "QUILLMOOR INSTRUMENTS,QV-3054,0,1", "2026-01-31", {"a": "b"}),
                InstrumentRecord("switch", "TCPIP::127.0.0.1::5026::SOCKET",
                                 "QUILLMOOR INSTRUMENTS,QK-34,0,1", None),
            ]
        )  # fmt: skip
        spool.events.append(Event("run_started", START, {"site": "bay 3, µ"}))
        self.take(spool, self.shot("00_reference_bare"))
        self.take(spool, self.shot("01_floor_shorted"), kind="int16")
        self.take(spool, self.shot("02_target_choke"), per_repeat=True)
        spool.events.append(Event("run_finished", START + timedelta(minutes=3)))
        return spool

    def run_file(self, folder: Path, name: str = "run.h5") -> Path:
        spool = self.spool(folder / "spool")
        return spool.consolidate(
            folder / name, document_json=DOCUMENT, state="complete",
            ended=START + timedelta(minutes=3),
        )  # fmt: skip

    def edit(self, source: Path, target: Path, change: Callable[[Any], None]) -> Path:
        """Change a copy with h5py and seal it again, as a stranger who knows the seal could."""
        fd = os.open(source, os.O_RDONLY)
        size = read_seal(fd, source).size
        os.close(fd)
        target.write_bytes(source.read_bytes()[:size])
        with h5py.File(target, "r+") as file:
            change(file)
        self.seal(target)
        return target

    def seal(self, path: Path) -> None:
        fd = os.open(path, os.O_RDWR)
        write_seal(fd)
        os.close(fd)


@pytest.fixture(scope="session")
def maker() -> Maker:
    return Maker()


@pytest.fixture(scope="session")
def run_file(maker: Maker, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One finished run; tests copy it and never change it."""
    return maker.run_file(tmp_path_factory.mktemp("run"))
