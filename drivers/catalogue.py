"""Which dialect speaks to which instrument, and the three functions that open one.

A new dialect is one line in `DIALECTS` and one in `MODELS`; drivers/BRING_YOUR_SCOPE.md tells the
rest.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from drivers.dialects.keysight_infiniium import KeysightInfiniium
from drivers.dialects.keysight_infiniivision import KeysightInfiniiVision
from drivers.dialects.lecroy import LeCroy
from drivers.dialects.ohmmeters import ScpiOhmmeter
from drivers.dialects.relay_units import ScpiSwitch
from drivers.dialects.rigol import Rigol
from drivers.dialects.rohde_schwarz import RohdeSchwarz
from drivers.dialects.siglent_old import SiglentOld
from drivers.dialects.tektronix import Tektronix
from drivers.dialects.tektronix_old import TektronixOld
from drivers.errors import RequestError
from drivers.instrument import identify
from drivers.link import Link, LinkPolicy, WireLog
from drivers.ohmmeter import Ohmmeter
from drivers.profile import ScopeProfile
from drivers.scope import Identity, Scope
from drivers.scpi_scope import ScpiScope
from drivers.switch import Switch

DIALECTS: dict[str, type[ScpiScope]] = {
    "keysight_infiniivision": KeysightInfiniiVision,
    "keysight_infiniium": KeysightInfiniium,
    "lecroy": LeCroy,
    "rigol": Rigol,
    "rohde_schwarz": RohdeSchwarz,
    "siglent_old": SiglentOld,
    "tektronix": Tektronix,
    "tektronix_old": TektronixOld,
}

#: (maker, model) patterns, matched whole and without case against fields 1 and 2 of ``*IDN?``; the
#: first that fits names the dialect. Mostly from memory: the README lists what is unconfirmed.
MODELS: tuple[tuple[str, str, str], ...] = (
    (r"(agilent|keysight) technologies", r"(dso|mso)(9|s|v|x9|z)\d.*", "keysight_infiniium"),
    (r"(agilent|keysight) technologies", r"(uxr|exr|mxr).*", "keysight_infiniium"),
    (r"(agilent|keysight) technologies", r"(dso|mso)-?x ?.*", "keysight_infiniivision"),
    (r"(agilent|keysight) technologies", r"edux.*|m924.*", "keysight_infiniivision"),
    (r"(agilent|keysight) technologies", r"(dso|mso)[567]\d\d\d.*", "keysight_infiniivision"),
    (r"rigol technologies", r"(ds|mso)[124578]\d\d\d.*", "rigol"),
    (r"rohde ?& ?schwarz", r"(rtb|rtm|rta|rtc).*", "rohde_schwarz"),
    (r"siglent( technologies)?", r"sds1\d\d\d(x-e|x-u|cml.*)", "siglent_old"),
    (r"siglent( technologies)?", r"sds2\d\d\dx(-e)?", "siglent_old"),
    (r"(teledyne )?lecroy|teledyne.*", r"t3dso[12]\d\d\d.*", "siglent_old"),
    (r"(teledyne )?lecroy", r".*", "lecroy"),
    (r"tektronix", r"(tds[ ]?[12]\d\d.?.*|tds[ ]?2\d\d.*|tps.*)", "tektronix_old"),
    (r"tektronix", r"tds ?[567]\d\d\d.*|tbs2.*|(dpo|mso|mdo|dsa).*", "tektronix"),
    (r"quillmoor instruments", r"qv-.*", "keysight_infiniivision"),
    (r"quillmoor instruments", r"qc-.*", "tektronix"),
    (r"quillmoor instruments", r"qd-.*", "lecroy"),
    (r"quillmoor instruments", r"qh-.*", "rohde_schwarz"),
    (r"quillmoor instruments", r"qi-.*", "keysight_infiniium"),
    (r"quillmoor instruments", r"qr-.*", "rigol"),
    (r"quillmoor instruments", r"qs-.*", "siglent_old"),
    (r"quillmoor instruments", r"qt-.*", "tektronix_old"),
)


def model_entry(identity: Identity) -> tuple[str, str, str] | None:
    """Return the first line of `MODELS` that fits; None for an unknown maker or model."""
    for maker, model, dialect in MODELS:
        if _fits(maker, identity.maker) and _fits(model, identity.model):
            return maker, model, dialect
    return None


def dialect_for(identity: Identity) -> str | None:
    """Return the dialect that a unit most likely speaks; None for an unknown maker or model."""
    entry = model_entry(identity)
    return None if entry is None else entry[2]


def profile_for(
    identity: Identity, profiles: Mapping[str, ScopeProfile], name: str | None = None
) -> ScopeProfile:
    """Return the named profile, or the first whose patterns fit the identity.

    Raises
    ------
    RequestError
        If there is none.
    """
    known = ", ".join(sorted(profiles)) or "none"
    if name is not None:
        if name not in profiles:
            raise RequestError(f"no scope profile is called {name!r}; known are: {known}")
        return profiles[name]
    for profile in profiles.values():
        if _fits(profile.maker, identity.maker) and _fits(profile.model, identity.model):
            return profile
    dialect = dialect_for(identity)
    advice = (
        f"it looks like one that speaks the dialect {dialect!r}: write a profile for it with that "
        "dialect, or name a like model's profile in the bench profile"
        if dialect
        else "drivers/BRING_YOUR_SCOPE.md leads from here to its dialect and a profile for it"
    )
    raise RequestError(
        f"no scope profile fits an instrument that answers {identity.raw!r}; known are: {known}. "
        f"Here {advice}"
    )


def open_scope(
    resource: str,
    profiles: Mapping[str, ScopeProfile],
    *,
    profile: str | None = None,
    policy: LinkPolicy = LinkPolicy(),  # noqa: B008 - frozen, so sharing it is safe
    wire_log: WireLog | None = None,
) -> Scope:
    """Connect to a scope, choose its profile by what it says it is, and return its driver.

    Nothing but ``*IDN?`` is sent before the dialect is known, and no setting is changed beyond the
    form of answers (headers).

    Parameters
    ----------
    resource : VISA resource string.
    profiles : by name; the first that fits the identity is taken, unless ``profile`` names one.

    Raises
    ------
    LinkLostError, TimedOutError
        If nothing (in time) answers there.
    RequestError
        If no profile fits, or the profile names an unknown dialect.
    """
    link = Link(resource, name="scope", policy=policy, wire_log=wire_log)
    try:
        link.open()
        identity = identify(link)
        try:
            chosen = profile_for(identity, profiles, profile)
        except RequestError as error:
            raise RequestError(error.message, instrument=link.label) from error
        if chosen.dialect not in DIALECTS:
            known = ", ".join(sorted(DIALECTS))
            raise RequestError(
                f"the profile {chosen.name} names the dialect {chosen.dialect!r}; known: {known}",
                instrument=link.label,
            )
        scope = DIALECTS[chosen.dialect](link, identity, chosen)
        scope.prepare()
    except BaseException:
        link.close()
        raise
    return scope


def open_switch(
    resource: str,
    *,
    policy: LinkPolicy = LinkPolicy(),  # noqa: B008 - frozen, so sharing it is safe
    wire_log: WireLog | None = None,
) -> Switch:
    """Connect to a relay unit; no relay moves.

    Raises
    ------
    LinkLostError, TimedOutError, AnswerError
    """
    link, identity = _open("relay unit", resource, policy, wire_log)
    return ScpiSwitch(link, identity)


def open_ohmmeter(
    resource: str,
    *,
    policy: LinkPolicy = LinkPolicy(),  # noqa: B008 - frozen, so sharing it is safe
    wire_log: WireLog | None = None,
) -> Ohmmeter:
    """Connect to a 4-wire ohmmeter.

    Raises
    ------
    LinkLostError, TimedOutError, AnswerError
    """
    link, identity = _open("ohmmeter", resource, policy, wire_log)
    return ScpiOhmmeter(link, identity)


def _open(
    name: str, resource: str, policy: LinkPolicy, wire_log: WireLog | None
) -> tuple[Link, Identity]:
    link = Link(resource, name=name, policy=policy, wire_log=wire_log)
    try:
        link.open()
        return link, identify(link)
    except BaseException:
        link.close()
        raise


def _fits(pattern: str, text: str) -> bool:
    return re.fullmatch(pattern, text.strip(), re.IGNORECASE) is not None
