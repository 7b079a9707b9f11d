"""Store the result of a later analysis beside the run's own.

The finished file is evidence and is not opened for writing. A copy is made, the result goes into
the copy, the copy is sealed, read back and compared with the old file place by place, and then
takes the old file's name in one step. At every moment the name stands for a whole, sealed file.
A file of results beside the run file would be cheaper, but would be left behind when the run file
is mailed.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from acquire.errors import DamagedFileError
from acquire.runfile.apart import examine
from acquire.runfile.consolidate import FORMAT, prove, refuse_without_space
from acquire.runfile.manifest import Entry, differences, store_manifest, take_manifest
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.sealedwriter import SealedWriter
from acquire.runfile.tables import parse_document, write_result
from acquire.runfile.tree import walk


def add_result(
    path: Path,
    document_json: str,
    *,
    software: str,
    made: datetime | None = None,
    recipe_text: str = "",
) -> str:
    """Add a result to a run file and return the name of its group in ``/results``.

    Parameters
    ----------
    path : the run file.
    document_json : stored to the byte.
    software : name and version of what computed it.
    made : when; now, if it is not given. [UTC]
    recipe_text : the recipe whose analysis choices were used, if not the run's own.

    Raises
    ------
    DamagedFileError
        Where the run file is not what was written; it is left as it is.
    RefusedError, StorageError
        Where the copy does not fit on the disk; the run file is left as it is.
    """
    parse_document(document_json)
    for place, text in examine("verify", FORMAT, [path])[path]:
        raise DamagedFileError(f"{path}: {place}: {text}; nothing was added")
    with SealedReader(path, FORMAT) as reader:
        before, size = reader.manifest(), reader.sealed.seal.size
        name = f"again_{_next_number(list(reader.group('/results'))):02d}"
    needed = path.stat().st_size + len(document_json) * 4 + (4 << 20)
    refuse_without_space(path.parent, needed)
    doing = "adding a result to the run file"
    with SealedWriter(path, doing, needed, source=path, source_size=size) as out:
        group = out.file["results"].create_group(name)
        when = made or datetime.now(UTC)
        write_result(group, document_json, made=when, software=software, recipe_text=recipe_text)
        rows = {place: entry["rows"] for place, entry in before.items() if "rows" in entry}
        after = take_manifest(walk(out.file, out.temp), out.temp, rows)
        _compare(path, before, after, f"/results/{name}")
        store_manifest(out.file, after)
        out.check()
        out.commit(replace=True, proof=prove)  # which reads every trace of the copy again
    return name


def _next_number(names: list[str]) -> int:
    numbers = [int(n.removeprefix("again_")) for n in names if n.startswith("again_")]
    return max(numbers, default=0) + 1


def _compare(path: Path, before: dict[str, Entry], after: dict[str, Entry], new: str) -> None:
    kept = {p: e for p, e in after.items() if p != new and not p.startswith(new + "/")}
    wrong = differences(before, kept)
    if wrong:
        raise DamagedFileError(f"{path}: in the copy, {wrong[0][0]} is {wrong[0][1]}; not replaced")
