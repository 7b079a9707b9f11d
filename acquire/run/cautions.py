"""What a person is told before hands go near the conductor.

The texts name no procedure as safe. What is safe at a site is decided by its electrical codes and
by people who are licensed there; this program only reminds.
"""

from __future__ import annotations

from acquire.recipe.schema import Condition, Conductor

GENERAL = (
    "Work near energised conductors can kill. Follow the electrical codes and the safety rules of "
    "this site; where they ask for a licensed or instructed person, only that person acts.",
    "This program cannot see whether a conductor is live, whether a source is isolated, or "
    "whether anybody stands at it. It names no procedure as safe.",
)
"""Shown at the start of every run."""

MAINS = (
    "The conductor is connected to the mains: treat it as live, also where it carries no load, and "
    "keep every instrument within its rated measurement category.",
)

PROTECTIVE = (
    "The conductor protects people. Its continuity has to hold at every moment while the equipment "
    "is connected to a supply; whether it may be touched at all is for local codes and licensed "
    "practice to say.",
)

CANDIDATE = (
    "A candidate comes into a protective conductor: the resistance is measured before the shot, "
    "and the run stops if it is above the recipe's limit. That measurement replaces no inspection.",
)

OPENED = (
    "The conductor is opened: a voltage can stand across the gap, and whatever it protected is "
    "unprotected.",
)

OPERATOR = ("Confirm only what you have set and seen yourself.",)


def at_start(conductor: Conductor) -> tuple[str, ...]:
    """Return the cautions for the beginning of a run."""
    return (
        *GENERAL,
        *(MAINS if conductor.mains_connected else ()),
        *(PROTECTIVE if conductor.protective else ()),
    )


def at_change(conductor: Conductor, condition: Condition, by_hand: bool) -> tuple[str, ...]:
    """Return the cautions for one change of condition."""
    return (
        *(GENERAL[:1] if by_hand else ("Relays switch now: keep clear of the conductor.",)),
        *(MAINS if conductor.mains_connected else ()),
        *(PROTECTIVE if conductor.protective else ()),
        *(CANDIDATE if conductor.protective and condition.kind == "candidate" else ()),
        *(OPENED if condition.kind == "open_circuit" else ()),
        *(OPERATOR if by_hand else ()),
    )
