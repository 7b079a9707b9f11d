"""The bench profile of a simulated bench: the shipped one, with the addresses it really has."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from acquire.cli import names
from acquire.errors import BadInputError, RefusedError

SHIPPED = "wind_tunnel_simulated"
"""Bench profile that ships with the program; its addresses are those below."""

ADDRESSES = {
    "scope": "TCPIP::127.0.0.1::45025::SOCKET",
    "switch": "TCPIP::127.0.0.1::45026::SOCKET",
    "ohmmeter": "TCPIP::127.0.0.1::45027::SOCKET",
}
"""What the shipped profile says for each role."""

_MARK = "# Written by floorshot simulate; it is overwritten the next time.\n"


def text(resources: Mapping[str, str], *, operator: bool = False) -> str:
    """Return the profile as YAML.

    Parameters
    ----------
    resources : VISA resource of each role.
    operator : a person sets the conditions instead of the relay unit.

    Raises
    ------
    BadInputError
        If the shipped profile is not what this module knows.
    """
    path = names.locate("bench", SHIPPED)
    profile = path.read_text(encoding="utf-8")
    if operator:
        profile = _with_operator(profile)
    for role, address in ADDRESSES.items():
        if address in profile:
            profile = profile.replace(address, resources[role])
        elif not (operator and role == "switch"):
            raise BadInputError(f"{path}: expected the address {address} for the {role}")
    return _MARK + profile


def _with_operator(profile: str) -> str:
    """Replace the block of the relay fixture."""
    block = re.compile(r"^fixture:.*\n(?:(?:[ \t]+.*|[ \t]*(?:#.*)?)\n)*", re.MULTILINE)
    return block.sub("fixture:\n  kind: operator\n\n", profile, count=1)


def refuse_foreign_file(path: Path) -> None:
    """Refuse to overwrite a file that `write` has not written.

    Raises
    ------
    RefusedError
        If there is one.
    """
    if path.exists() and not path.read_text(encoding="utf-8", errors="replace").startswith(_MARK):
        raise RefusedError(
            f"{path} exists and was not written by floorshot simulate; it is left alone. "
            "Give another place with --write"
        )


def write(path: Path, resources: Mapping[str, str], *, operator: bool = False) -> None:
    """Write the profile to ``path``.

    Raises
    ------
    RefusedError
        If it cannot be written.
    """
    try:
        path.write_text(text(resources, operator=operator), encoding="utf-8")
    except OSError as error:
        raise RefusedError(f"{path}: cannot be written ({error.strerror})") from error
