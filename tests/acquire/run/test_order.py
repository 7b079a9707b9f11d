"""The order with the fewest hands, against every order that is allowed."""

from __future__ import annotations

from itertools import permutations

from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.recipe.schema import Shot
from acquire.run.order import changes, fewest_hands

ROLES = {
    "reference": ["bare"],
    "target": ["choke", "core", "bare"],
    "floor": ["off", "short", "core"],
    "open_circuit": ["open"],
}
SHOT = st.sampled_from([(role, name) for role, names in ROLES.items() for name in names])


def shots_of(*pairs):
    return tuple(Shot(role=role, condition=condition) for role, condition in pairs)


def allowed(shots, order):
    """Whether an order keeps references in place, targets between theirs, and floors last."""
    roles = [shots[index].role for index in order]
    references = [index for index in order if shots[index].role == "reference"]
    if references != sorted(references) or "floor" in roles[: len(roles) - roles.count("floor")]:
        return False
    before = {index: sum(other < index for other in references) for index in order}
    passed = 0
    for index in order:
        if shots[index].role == "reference":
            passed += 1
        elif shots[index].role != "floor" and before[index] != passed:
            return False
    return True


@settings(max_examples=60, deadline=None)
@given(st.lists(SHOT, min_size=1, max_size=6))
def test_no_allowed_order_needs_fewer_hands(pairs):
    shots = shots_of(*pairs)
    order = fewest_hands(shots)

    assert sorted(order) == list(range(len(shots)))
    assert allowed(shots, order)
    least = min(
        changes(shots[index] for index in other)
        for other in permutations(range(len(shots)))
        if allowed(shots, other)
    )
    assert changes(shots[index] for index in order) == least


def test_floors_go_last_and_candidates_together():
    shots = shots_of(
        ("reference", "bare"), ("target", "choke"), ("floor", "off"), ("target", "core"),
        ("target", "choke"), ("reference", "bare"), ("floor", "off"),
    )  # fmt: skip

    order = fewest_hands(shots)

    assert order == (0, 1, 4, 3, 5, 2, 6)
    assert (changes(shots), changes(shots[index] for index in order)) == (7, 5)
