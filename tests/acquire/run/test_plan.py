"""What a recipe on a bench comes to."""

import hashlib
import json

import pytest

from acquire.run.plan import ORDERS, compile_plan


def steps(plan):
    return [(step.kind, step.condition, step.role) for step in plan.steps]


def test_the_order_of_the_recipe_with_what_each_shot_needs_before_it(recipe, bench):
    plan = compile_plan(recipe, bench)

    assert steps(plan) == [
        ("identify", None, None),
        ("configure", None, None),
        ("condition", "bare", "reference"),
        ("continuity", "bare", "reference"),
        ("ranging", "bare", "reference"),
        ("capture", "bare", "reference"),
        ("condition", "choke", "target"),
        ("continuity", "choke", "target"),
        ("ranging", "choke", "target"),
        ("capture", "choke", "target"),
        ("condition", "core", "target"),
        ("continuity", "core", "target"),
        ("ranging", "core", "target"),
        ("capture", "core", "target"),
        ("condition", "bare", "reference"),
        ("continuity", "bare", "reference"),
        ("ranging", "bare", "reference"),
        ("capture", "bare", "reference"),
        ("condition", "off", "floor"),
        ("continuity", "off", "floor"),
        ("floor", "off", "floor"),
        ("analyse", None, None),
        ("store", None, None),
    ]
    assert {step.kind for step in plan.steps} <= set(ORDERS)
    assert [s.reuse_ranges for s in plan.steps if s.kind == "ranging"] == [
        False,
        False,
        False,
        True,
    ]


def test_the_same_parts_give_the_same_plan_to_the_byte(load_recipe_text, bench):
    one, other = (compile_plan(load_recipe_text(), bench) for _ in range(2))
    more = compile_plan(load_recipe_text({"repeats: 4": "repeats: 5"}), bench)

    assert one == other
    assert one.sha256 == other.sha256 == hashlib.sha256(one.text.encode()).hexdigest()
    assert more.sha256 != one.sha256
    members = json.loads(one.text)
    assert members["format"] == "floorshot-plan"
    assert len(members["steps"]) == len(one.steps)
    assert hash(one.steps) == hash(other.steps)


def test_no_continuity_check_for_a_conductor_that_protects_nobody(load_recipe_text, bench):
    plan = compile_plan(load_recipe_text({"protective: true": "protective: false"}), bench)

    assert "continuity" not in {step.kind for step in plan.steps}


def test_two_shots_in_one_condition_need_one_change(load_recipe_text, by_hand):
    twice = "  - {role: target, condition: choke}\n"
    plan = compile_plan(load_recipe_text({twice: twice * 2}), by_hand)

    assert plan.hands == 5
    assert sum(step.kind == "capture" for step in plan.steps) == 5


def test_relays_need_no_hand(recipe, bench, by_hand):
    assert compile_plan(recipe, bench).hands == 0
    assert "no hand is needed" in compile_plan(recipe, bench).describe()[-1]
    assert "a hand is needed 5 times" in compile_plan(recipe, by_hand).describe()[-1]


CORE = "  - {role: target, condition: core}\n"
EARLY_FLOOR = {
    CORE: "  - {role: floor, condition: off, repeats: 9}\n" + CORE,
    "  - {role: floor, condition: off}\n": "",
}


def test_shots_after_the_last_floor_get_a_floor_visit_of_their_own(load_recipe_text, by_hand):
    as_written = {"shots:\n": "order: as_written\nshots:\n"}
    plan = compile_plan(load_recipe_text(EARLY_FLOOR | as_written), by_hand)

    floors = [step for step in plan.steps if step.kind == "floor"]
    assert [(f.only_missing, f.repeats, f.shot) for f in floors] == [(False, 9, 2), (True, 9, None)]
    assert plan.steps[-3] is floors[-1]
    assert any("a floor visit is added" in note for note in plan.notes)
    assert any("needed once less in another order" in note for note in plan.notes)
    assert plan.hands == 6


def test_a_person_is_called_as_rarely_as_possible_and_told_so(load_recipe_text, by_hand):
    plan = compile_plan(load_recipe_text(EARLY_FLOOR), by_hand)

    assert [step.shot for step in plan.steps if step.kind in ("capture", "floor")] == [
        0,
        1,
        3,
        4,
        2,
    ]
    assert not [step for step in plan.steps if step.kind == "floor" and step.only_missing]
    assert any("a hand is needed once less; 'order: as_written'" in note for note in plan.notes)
    assert plan.hands == 5


def test_relays_keep_the_order_of_the_recipe(load_recipe_text, bench):
    plan = compile_plan(load_recipe_text(EARLY_FLOOR), bench)

    assert [step.shot for step in plan.steps if step.kind in ("capture", "floor")] == [
        0, 1, 2, 3, 4, None,
    ]  # fmt: skip
    assert not [note for note in plan.notes if "hand" in note]


def test_a_floor_before_any_range_is_known_comes_later(load_recipe_text, bench):
    first = load_recipe_text(
        {
            "shots:\n": "shots:\n  - {role: floor, condition: off}\n",
            "  - {role: floor, condition: off}\nanalysis": "analysis",
        }
    )
    plan = compile_plan(first, bench)

    assert steps(plan)[2] == ("condition", "bare", "reference")
    assert steps(plan)[-3] == ("floor", "off", "floor")
    assert any("has no range yet" in note for note in plan.notes)


def test_estimates(load_recipe_text, bench):
    small = compile_plan(load_recipe_text(), bench)
    large = compile_plan(load_recipe_text({"duration: 4 us": "duration: 400 us"}), bench)

    assert small.record_length == 1000
    assert large.record_length == 100_000
    # 4 captures and at most 3 floors of 4 records of 2 traces, twice on disk while it is verified
    assert large.size > 2 * (4 + 3) * 4 * 2 * 100_000 * large.bytes_per_sample
    assert large.disk_space(200_000, 1) > large.disk_space(100_000, 1)
    assert small.seconds_left(0) == pytest.approx(small.seconds, abs=0.1)
    assert small.seconds_left(len(small.steps)) == 0


def test_every_step_is_one_line_for_people(recipe, bench):
    plan = compile_plan(recipe, bench)

    lines = plan.describe()

    assert len(lines) == len(plan.steps) + 1 + len(plan.notes)
    assert lines[0] == "  1  identify the oscilloscope, the relay unit and the ohmmeter"
    assert "at every range used by earlier shots (known only then): 4 records each" in lines[20]
    assert "at most 100 mohm in the condition choke (4-wire); the run stops if not" in lines[7]
