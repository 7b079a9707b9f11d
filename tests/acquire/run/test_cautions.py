"""Cautions defer to codes and licensed practice, and name no procedure as safe."""

import pytest

from acquire.recipe.schema import Condition, Conductor
from acquire.run import cautions


def conductor(protective=True, mains=False):
    return Conductor(
        name="the lead", protective=protective, mains_connected=mains, continuity_limit="0.1 ohm"
    )


def condition(kind):
    return Condition(kind=kind, description="x")


def test_the_start_names_codes_licence_and_what_the_program_cannot_see():
    text = " ".join(cautions.at_start(conductor(mains=True)))

    assert "electrical codes" in text
    assert "licensed" in text
    assert "cannot see whether a conductor is live" in text
    assert "names no procedure as safe" in text
    assert "treat it as live" in text
    assert "Its continuity has to hold" in text


def test_a_plain_conductor_gets_only_what_concerns_it():
    assert cautions.at_start(conductor(protective=False)) == cautions.GENERAL


def test_a_change_by_hand_is_cautioned_as_such():
    by_hand = cautions.at_change(conductor(), condition("candidate"), True)
    by_relay = cautions.at_change(conductor(), condition("candidate"), False)

    assert cautions.GENERAL[0] in by_hand
    assert cautions.OPERATOR[0] in by_hand
    assert any("Relays switch now" in text for text in by_relay)
    assert set(cautions.CANDIDATE) <= set(by_hand) & set(by_relay)


@pytest.mark.parametrize("kind", ["bare", "no_current"])
def test_the_candidates_caution_is_not_worn_out(kind):
    assert not set(cautions.CANDIDATE) & set(cautions.at_change(conductor(), condition(kind), True))


def test_an_opened_conductor_is_cautioned():
    assert set(cautions.OPENED) <= set(
        cautions.at_change(conductor(protective=False), condition("open_circuit"), True)
    )
