"""From a bench profile and what it names to one loaded bench, or to every mistake at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from acquire.bench.checks import checks
from acquire.bench.probes import LoadedProbe, ProbeFolders, ProbeTexts, no_such_probe
from acquire.bench.schema import Bench, Model, Probe
from acquire.bench.scope_profile import ScopeFile, scope_profiles_for
from acquire.errors import BadInputError, Problem
from acquire.quantities import format_quantity, with_written_defaults
from acquire.textfile import Complaint, TextSource, did_you_mean, load, parse, validated
from drivers.profile import ScopeProfile


@dataclass(frozen=True, eq=False)
class LoadedBench:
    """A bench profile with everything that it names, and the texts that it came from.

    Attributes
    ----------
    bench : valid in itself. Whether it can do a recipe is for ``acquire.run.match`` to say.
    source : text and places.
    probes : every probe that an input names, by name.
    scope_profiles : every model that is known here, by name.
    """

    bench: Bench
    source: TextSource
    probes: Mapping[str, LoadedProbe]
    scope_profiles: Mapping[str, ScopeProfile]

    @property
    def name(self) -> str:
        """The file's name without folders."""
        return Path(self.source.name).name

    @property
    def text(self) -> str:
        """Exactly what was loaded."""
        return self.source.text

    @property
    def scope_profile(self) -> ScopeProfile | None:
        """The model that the profile names; None where the scope itself is to say."""
        named = self.bench.scope.profile
        return None if named is None else self.scope_profiles[named]

    @property
    def probe_texts(self) -> dict[str, str]:
        """Name -> exact text of every probe profile, and ``name.csv`` -> its table's.

        ``parse_bench(..., probe_texts=...)`` reads them again.
        """
        texts = {name: probe.text for name, probe in self.probes.items()}
        for name, probe in self.probes.items():
            if probe.table_text is not None:
                texts[f"{name}.csv"] = probe.table_text
        return texts

    @cached_property
    def sha256(self) -> str:
        """Hash of what the bench, its probes and their tables, and a named scope profile say.

        Layout, comments, the order of keys, the spelling of a unit, and a default that is written
        out do not change it.
        """
        model = self.scope_profile
        said = {
            "bench": self.bench.model_dump(mode="json", exclude_defaults=True),
            "probes": {name: probe.said() for name, probe in self.probes.items()},
            "scope": None if model is None else asdict(model) | {"quirks": sorted(model.quirks)},
        }
        text = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def problem(self, loc: Sequence[str | int], message: str) -> Problem:
        """Say what is wrong with a value, at its line: for what is only found out later."""
        return self.source.problem(loc, message)


def load_bench(path: Path | str) -> LoadedBench:
    """Read a bench profile, the probe profiles that it names, and the scope profiles.

    A probe profile is looked for beside the bench profile, in ``probes`` beside it, then among
    the shipped ones; scope profiles in ``scopes`` beside it and among the shipped ones.

    Raises
    ------
    BadInputError
        With every mistake in all of them.
    """
    return _loaded(load(path), Path(path).parent, None)


def parse_bench(
    text: str,
    name: str,
    *,
    folder: Path | None = None,
    probe_texts: Mapping[str, str] | None = None,
) -> LoadedBench:
    """Read a bench profile's text; ``name`` stands for it in messages.

    Parameters
    ----------
    folder : where its own probe and scope profiles are; None = only the shipped ones.
    probe_texts : the probe profiles as a run file keeps them; then no probe file is read.

    Raises
    ------
    BadInputError
        With every mistake.
    """
    return _loaded(parse(text, name), folder, probe_texts)


def calibrations(bench: LoadedBench) -> list[tuple[str, date | None]]:
    """Return what is calibrated on this bench, and until when (None = the profile does not say)."""
    entries = [("oscilloscope", bench.bench.scope.calibration_due)]
    if bench.bench.fixture.kind == "relay":
        entries.append(("relay unit", bench.bench.fixture.calibration_due))
    if bench.bench.ohmmeter is not None:
        entries.append(("ohmmeter", bench.bench.ohmmeter.calibration_due))
    entries += [(f"probe {name}", p.probe.calibration_due) for name, p in bench.probes.items()]
    return entries


def json_schema(kind: Literal["bench", "probe", "scope"]) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a bench, probe or scope profile, for editors.

    It describes the form only; what a profile must mean beyond that, loading it tells.
    """
    models: dict[str, type[Model]] = {"bench": Bench, "probe": Probe, "scope": ScopeFile}
    schema: dict[str, Any] = with_written_defaults(models[kind].model_json_schema())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _loaded(
    source: TextSource, folder: Path | None, texts: Mapping[str, str] | None
) -> LoadedBench:
    problems: list[Problem] = []
    bench = None
    try:
        bench = validated(source, Bench, checks)
    except BadInputError as error:
        problems += error.problems
    scopes: dict[str, ScopeProfile] = {}
    try:
        scopes = scope_profiles_for(folder)
    except BadInputError as error:
        problems += error.problems
    store = ProbeFolders(folder) if texts is None else ProbeTexts(texts)
    probes, found = _probes(source, store)
    problems += found
    named = _named_model(source.data)
    if named is not None and scopes and named not in scopes:
        message = f"there is no scope profile '{named}'{did_you_mean(named, scopes)}"
        problems.append(source.problem(("scope", "profile"), message))
    if bench is not None and named in scopes:
        problems += [source.problem(*c) for c in _inputs_of_model(bench, scopes[named])]
    if problems or bench is None:
        # those of the bench profile first, in the order of its lines
        raise BadInputError(sorted(problems, key=lambda p: (p.file != source.name, p.file, p.line)))
    return LoadedBench(bench, source, probes, scopes)


def _probes(
    source: TextSource, store: ProbeFolders | ProbeTexts
) -> tuple[dict[str, LoadedProbe], list[Problem]]:
    """Read every probe that the text names, also where the text is wrong elsewhere."""
    probes: dict[str, LoadedProbe] = {}
    problems: list[Problem] = []
    failed: set[str] = set()
    for place, name in _named_probes(source.data):
        if name in probes or name in failed:
            continue
        try:
            probe = store.read(name)
        except BadInputError as error:
            problems += error.problems
            failed.add(name)
            continue
        if probe is None:
            problems.append(source.problem(place, no_such_probe(name, store.known())))
        else:
            probes[name] = probe
    return probes, problems


def _named_probes(data: object) -> list[tuple[tuple[str, ...], str]]:
    inputs = data.get("inputs") if isinstance(data, dict) else None
    if not isinstance(inputs, dict):
        return []
    return [
        (("inputs", key, "probe"), wired["probe"])
        for key, wired in inputs.items()
        if isinstance(wired, dict) and _is_file_name(wired.get("probe"))
    ]


def _is_file_name(value: object) -> bool:
    return isinstance(value, str) and 0 < len(value) <= 100 and not set(value) & set("/\\\0")


def _named_model(data: object) -> str | None:
    scope = data.get("scope") if isinstance(data, dict) else None
    named = scope.get("profile") if isinstance(scope, dict) else None
    return named if isinstance(named, str) else None


def _inputs_of_model(bench: Bench, model: ScopeProfile) -> Iterator[Complaint]:
    """Hold the inputs against the scope's model, where the profile names one."""
    for name, wired in bench.inputs.items():
        if wired.channel > model.channels:
            message = f"{model.name} has {model.channels} channels, so there is no {wired.channel}"
            yield ("inputs", name, "channel"), message
        if not any(abs(wired.input_impedance - z) <= 0.01 * z for z in model.input_impedances):
            choices = " or ".join(format_quantity(z, "ohm") for z in model.input_impedances)
            yield ("inputs", name, "input_impedance"), f"{model.name} has inputs of {choices}"
