"""The bench profile of a simulated bench: the shipped one, with the addresses it really has."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from acquire.cli import names
from acquire.errors import BadInputError, RefusedError

SHIPPED = {"relay": "wind_tunnel_simulated", "operator": "wind_tunnel_operator"}
"""Fixture -> the bench profile that ships with the program; their addresses are those below."""

ADDRESSES = {
    "scope": "TCPIP::127.0.0.1::45025::SOCKET",
    "switch": "TCPIP::127.0.0.1::45026::SOCKET",
    "ohmmeter": "TCPIP::127.0.0.1::45027::SOCKET",
}
"""What the shipped profiles say for each role."""

_MARK = "# Written by floorshot simulate; it is overwritten the next time.\n"


def text(resources: Mapping[str, str], fixture: str = "relay") -> str:
    """Return the profile as YAML.

    Parameters
    ----------
    resources : VISA resource of each role.
    fixture : key of ``SHIPPED``.

    Raises
    ------
    BadInputError
        If the shipped profile is not what this module knows.
    """
    path = names.locate("bench", SHIPPED[fixture])
    profile = path.read_text(encoding="utf-8")
    real: dict[str, str] = {}
    for role, address in ADDRESSES.items():
        if role == "switch" and fixture == "operator":
            continue
        if profile.count(address) != 1:
            raise BadInputError(f"{path}: expected the address {address} of the {role} once")
        real[address] = resources[role]
    # all in one pass: a free port may be one that the shipped profile gives to another role
    anyone = "|".join(map(re.escape, real))
    return _MARK + re.sub(anyone, lambda match: real[match.group()], profile)


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


def write(path: Path, resources: Mapping[str, str], fixture: str = "relay") -> None:
    """Write the profile to ``path``.

    Raises
    ------
    RefusedError
        If it cannot be written.
    """
    try:
        path.write_text(text(resources, fixture), encoding="utf-8")
    except OSError as error:
        raise RefusedError(f"{path}: cannot be written ({error.strerror})") from error
