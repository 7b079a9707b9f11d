"""The order in which a recipe's shots are taken, so that a person is called as rarely as possible.

What must stay, whatever it costs in hands:

* references are taken where the recipe has them, in its order: two of them bracket what lies
  between, and their difference is the drift;
* a target or an open circuit stays between the same two references;
* floors come after everything whose ranges they need, because the ranges are known only then.

What is free, and is used: between two references, shots of one condition are taken together; all
floor visits are taken at the end, those of one condition together. Nothing is left out. Relays need
no hand, so their recipes keep their order, as does a recipe that says ``order: as_written``: one
that removes a candidate and fits it again, say, to see what fitting does.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from acquire.recipe.schema import Shot


def fewest_hands(shots: Sequence[Shot]) -> tuple[int, ...]:
    """Return indices into ``shots`` in the order with the fewest changes of condition.

    Every shot is in it once; no other order that keeps what must stay has fewer.
    """
    found: list[int] = []
    block: list[int] = []
    for index, shot in enumerate(shots):
        if shot.role == "reference":
            found += _grouped(shots, block, _condition(shots, found), shot.condition)
            found.append(index)
            block = []
        elif shot.role != "floor":
            block.append(index)
    floors = [index for index, shot in enumerate(shots) if shot.role == "floor"]
    first_floors = [shots[index].condition for index in floors]
    ending = next((name for name in first_floors if _is_among(shots, block, name)), None)
    found += _grouped(shots, block, _condition(shots, found), ending)
    found += _grouped(shots, floors, _condition(shots, found), None)
    return tuple(found)


def changes(shots: Iterable[Shot]) -> int:
    """Return how often the condition has to be set, the first time included."""
    count, current = 0, None
    for shot in shots:
        count += shot.condition != current
        current = shot.condition
    return count


def _grouped(
    shots: Sequence[Shot], block: Sequence[int], before: str | None, after: str | None
) -> list[int]:
    """Return a block with its conditions together: what stands first, what is needed next last."""
    groups: dict[str, list[int]] = {}
    for index in block:
        groups.setdefault(shots[index].condition, []).append(index)
    names = sorted(groups, key=lambda name: (name != before, name == after))
    return [index for name in names for index in groups[name]]


def _condition(shots: Sequence[Shot], taken: Sequence[int]) -> str | None:
    return shots[taken[-1]].condition if taken else None


def _is_among(shots: Sequence[Shot], block: Sequence[int], name: str) -> bool:
    return any(shots[index].condition == name for index in block)
