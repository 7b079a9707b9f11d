"""What is at an address: its identity, which kind of instrument it is, and why we think so.

Nothing but ``*IDN?`` is sent before the kind is known. After that only what the dialect needs for
readable answers (headers off) and the error queue, which is empty once it has been read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from drivers.catalogue import DIALECTS, model_entry, profile_for
from drivers.dialects.relay_units import kind_of
from drivers.errors import InstrumentError, RequestError
from drivers.instrument import drain, identify
from drivers.link import Link, LinkPolicy
from drivers.profile import ScopeProfile
from drivers.scope import Identity

Kind = Literal["oscilloscope", "relay unit", "ohmmeter", "unknown"]

#: (maker, model, kind) of what is no oscilloscope; matched whole and without case. From memory: the
#: README lists what is unconfirmed. A 2700 is both; its relays are what a bench needs it for.
OTHERS: tuple[tuple[str, str, Kind], ...] = (
    (r"keithley.*", r"(model )?(27\d\d|37\d\d).*", "relay unit"),
    (r"hewlett-packard|(agilent|keysight) technologies", r"349(70|72|80)a.*", "relay unit"),
    (r"hewlett-packard", r"e1345a.*|e1366a.*|e146[89]a.*", "relay unit"),
    (r"rigol technologies", r"m30\d.*", "relay unit"),
    (r"keithley.*", r"(model )?(20(00|01|02|10)|2100|2110|dmm\d+).*", "ohmmeter"),
    (r"hewlett-packard|(agilent|keysight) technologies", r"344\d\da.*", "ohmmeter"),
    (r"hewlett-packard", r"e1312a.*|e1412a.*", "ohmmeter"),
    (r"rigol technologies", r"dm\d\d\d\d.*", "ohmmeter"),
    (r"siglent( technologies)?", r"sdm\d\d\d\d.*", "ohmmeter"),
    (r"quillmoor instruments", r"qk-.*", "relay unit"),
    (r"quillmoor instruments", r"qm-.*", "ohmmeter"),
)


@dataclass(frozen=True, slots=True)
class Survey:
    """What one address told.

    Attributes
    ----------
    identity : its answer to ``*IDN?``.
    kind : "unknown" where no pattern fits.
    maker_pattern, model_pattern : what the kind (and a scope's dialect) was told by; may be empty.
    dialect : of an oscilloscope; where a profile fits, the profile's.
    profile : that fits; None where there is none, and for other kinds.
    readback : what a relay unit's readback is worth, and how it words it; empty for others.
    errors : that were in its error queue; None where it was not asked, for want of a dialect.
    """

    identity: Identity
    kind: Kind
    maker_pattern: str = ""
    model_pattern: str = ""
    dialect: str = ""
    profile: ScopeProfile | None = None
    readback: tuple[str, str] = ("", "")
    errors: tuple[InstrumentError, ...] | None = None


def survey(
    resource: str,
    profiles: Mapping[str, ScopeProfile],
    *,
    profile: str | None = None,
    policy: LinkPolicy = LinkPolicy(),  # noqa: B008 - frozen, so sharing it is safe
) -> Survey:
    """Ask what is at an address, and change nothing there but the form of answers.

    Parameters
    ----------
    resource : VISA resource string.
    profiles : scope profiles by name.
    profile : name of the one to take whatever the identity says.

    Raises
    ------
    RequestError
        If the resource string is none, or no profile has the name.
    LinkLostError, TimedOutError, AnswerError
        If nothing (sensible, in time) answers there.
    """
    link = Link(resource, name="instrument", policy=policy)
    try:
        link.open()
        identity = identify(link)
        other = other_entry(identity)
        if other is not None and profile is None:
            return _survey_other(link, identity, other)
        return _survey_scope(link, identity, profiles, profile)
    finally:
        link.close()


def other_entry(identity: Identity) -> tuple[str, str, Kind] | None:
    """Return the first line of `OTHERS` that fits an identity."""
    for maker, model, kind in OTHERS:
        fits = (
            re.fullmatch(pattern, text.strip(), re.IGNORECASE)
            for pattern, text in ((maker, identity.maker), (model, identity.model))
        )
        if all(fits):
            return maker, model, kind
    return None


def _survey_other(link: Link, identity: Identity, entry: tuple[str, str, Kind]) -> Survey:
    maker, model, kind = entry
    readback = kind_of(identity) if kind == "relay unit" else ("", "")
    return Survey(identity, kind, maker, model, readback=readback, errors=drain(link))


def _survey_scope(
    link: Link, identity: Identity, profiles: Mapping[str, ScopeProfile], name: str | None
) -> Survey:
    maker, model, dialect = model_entry(identity) or ("", "", "")
    try:
        chosen = profile_for(identity, profiles, name)
    except RequestError:
        if name is not None:
            raise
        kind: Kind = "oscilloscope" if dialect else "unknown"
        return Survey(identity, kind, maker, model, dialect)
    if chosen.dialect not in DIALECTS:
        raise RequestError(
            f"the profile {chosen.name} names the dialect {chosen.dialect!r}; known: "
            f"{', '.join(sorted(DIALECTS))}",
            instrument=link.label,
        )
    scope = DIALECTS[chosen.dialect](link, identity, chosen)
    scope.prepare()
    errors = scope.errors()
    return Survey(identity, "oscilloscope", maker, model, chosen.dialect, chosen, errors=errors)
