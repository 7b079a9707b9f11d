"""Each check of meaning: what it refuses, where it points, and that it lets the rest pass."""

import pytest

from acquire.errors import BadInputError
from acquire.recipe import checks as module
from acquire.recipe import parse_recipe
from acquire.recipe.checks import KIND_OF_ROLE, RESERVED
from acquire.recipe.schema import Condition, Shot
from acquire.runfile import RESERVED as OF_THE_RUN_FILE

NO_TARGET = (
    ("  - {role: target, condition: damped_choke}\n", ""),
    ("  - {role: target, condition: triple_core}\n", ""),
    ("  - {role: target, condition: air_coil}\n", ""),
)

CASES = {
    "unknown condition": (
        [("{role: floor, condition: probe_off}", "{role: floor, condition: probe_of}")],
        [("shots.5.condition", "there is no condition 'probe_of'; did you mean 'probe_off'?")],
    ),
    "reference with a candidate": (
        [("{role: reference, condition: bare}", "{role: reference, condition: air_coil}")],
        [("shots.0.role", "give the shot the role target")],
    ),
    "floor on the bare conductor": (
        [("condition: probe_off}", "condition: bare}")],
        [("shots.5.role", "of the kind no_current, but 'bare' is of the kind bare")],
    ),
    "no closing reference": (
        [("  - {role: reference, condition: bare}\n  - {role: floor", "  - {role: floor")],
        [("shots.3", "add a closing reference")],
    ),
    "no opening reference": (
        [("  - {role: reference, condition: bare}\n", "")],
        [("shots.0", "no reference shot comes before this first target")],
    ),
    "no floor": (
        [("  - {role: floor, condition: probe_off}\n", "")],
        [("shots", "there is no floor shot")],
    ),
    "unknown trigger source": (
        [("    source: inverter_edge", "    source: inverter")],
        [("acquisition.trigger.source", "there is no quantity 'inverter'; did you mean")],
    ),
    "trigger level in the wrong unit": (
        [("level: 0 V", "level: 1 mA")],
        [("acquisition.trigger.level", "'inverter_edge' is a voltage; give this in V, not in A")],
    ),
    "external level in the wrong unit": (
        [("source: inverter_edge", "source: external"), ("level: 0 V", "level: 1 A")],
        [("acquisition.trigger.level", "the external trigger input is a voltage")],
    ),
    "a quantity called external": (
        [("  inverter_edge:", "  external:"), ("source: inverter_edge", "source: external")],
        [("quantities.external", "the scope's external trigger input; choose another name")],
    ),
    "a quantity with a name of the run file": (
        [("  inverter_edge:", "  offset:"), ("source: inverter_edge", "source: offset")],
        [("quantities.offset", "a run file uses the name 'offset' itself, and 'gain', 'quantity'")],
    ),
    "expected peak in the wrong unit": (
        [("expected_peak: 1.3 A", "expected_peak: 1.3 V")],
        [("quantities.lead_current.expected_peak", "'lead_current' is a current")],
    ),
    "nothing evaluated": (
        [
            ("expected_peak: 1.3 A", "evaluated: false"),
            ("\nlimits:\n", "\nlimits: []\nold:\n"),
        ],
        [("quantities", "no quantity is evaluated"), ("old", "there is no setting 'old' here")],
    ),
    "pre-trigger as long as the record": (
        [("pre_trigger: 4 us", "pre_trigger: 40 us")],
        [("acquisition.pre_trigger", "the pre-trigger of 40 us leaves nothing of a record of 40")],
    ),
    "too few samples": (
        [("duration: 40 us", "duration: 0.39 us"), ("pre_trigger: 4 us", "pre_trigger: 0 s")],
        [("acquisition.duration", "390 ns at 250 MSa/s are 97.5 samples, too few")],
    ),
    "too many samples": (
        [("duration: 40 us", "duration: 5 s")],
        [("acquisition.duration", "are 1.25e+09 samples, beyond any scope's memory")],
    ),
    "bandwidth beyond half the sample rate": (
        [("minimum_bandwidth: 100 MHz", "minimum_bandwidth: 126 MHz")],
        [("acquisition.minimum_bandwidth", "250 MSa/s show nothing above 125 MHz")],
    ),
    "unknown measure": (
        [("[peak_to_peak, rms, band_b]", "[peak_to_peak, rms, bandb]")],
        [("analysis.measures.2", "there is no measure 'bandb'; did you mean 'band_b'?")],
    ),
    "measure twice": (
        [("[peak_to_peak, rms, band_b]", "[rms, peak_to_peak, rms]")],
        [("analysis.measures.2", "'rms' stands here twice")],
    ),
    "limit on an unknown measure": (
        [("condition: air_coil, quantity: lead_current, measure: rms", "condition: air_coil, "
          "quantity: lead_current, measure: rmss")],
        [("limits.2.measure", "there is no measure 'rmss'; did you mean 'rms'?")],
    ),
    "limit on a measure that is not computed": (
        [("[peak_to_peak, rms, band_b]", "[peak_to_peak]")],
        [(f"limits.{i}.measure", "'rms' is not computed; add it") for i in range(3)],
    ),
    "limit on what is no candidate": (
        [("{condition: air_coil, quantity", "{condition: bare, quantity")],
        [("limits.2.condition", "'bare' is no candidate, and a limit judges one")],
    ),
    "limit on what is not measured": (
        [("  - {role: target, condition: air_coil}\n", "")],
        [("limits.2.condition", "no target shot is taken of 'air_coil'")],
    ),
    "limit on an unknown quantity": (
        [("air_coil, quantity: lead_current", "air_coil, quantity: lead_curent")],
        [("limits.2.quantity", "there is no quantity 'lead_curent'; did you mean")],
    ),
    "limit on what is not evaluated": (
        [("air_coil, quantity: lead_current", "air_coil, quantity: inverter_edge")],
        [("limits.2.quantity", "'inverter_edge' is not evaluated")],
    ),
    "limit without a bound": (
        [("air_coil, quantity: lead_current, measure: rms, attenuation_at_least: 20 dB",
          "air_coil, quantity: lead_current, measure: rms")],
        [("limits.2", "give exactly one of attenuation_at_least and residual_at_most")],
    ),
    "limit with both bounds": (
        [("attenuation_at_least: 20 dB", "residual_at_most: 1 mA, attenuation_at_least: 20 dB")],
        [("limits.0", "give exactly one of attenuation_at_least and residual_at_most")],
    ),
    "limit in the wrong unit": (
        [("attenuation_at_least: 20 dB", "residual_at_most: 1 mV")],
        [("limits.0.residual_at_most", "'lead_current' is a current; give this in A, not in V")],
    ),
    "the same limit twice": (
        [("{condition: triple_core, quantity", "{condition: damped_choke, quantity")],
        [("limits.1", "limit 0 judges the same; leave one out")],
    ),
    "opening a protective conductor": (
        [
            ("  - {role: floor", "  - {role: open_circuit, condition: opened}\n  - {role: floor"),
            ("  probe_off:", "  opened: {kind: open_circuit, description: opened}\n  probe_off:"),
        ],
        [("shots.5", "this shot would open a protective conductor")],
    ),
    "an open circuit without a voltage": (
        [
            ("  - {role: floor", "  - {role: open_circuit, condition: opened}\n  - {role: floor"),
            ("  probe_off:", "  opened: {kind: open_circuit, description: opened}\n  probe_off:"),
            ("protective: true", "protective: false"),
            ("    kind: voltage\n", "    kind: current\n"),
            ("expected_peak: 70 V", "expected_peak: 70 A"),
            ("level: 0 V", "level: 0 A"),
        ],
        [("shots.5.role", "measures a voltage, but no quantity is of that kind")],
    ),
}  # fmt: skip


def changed(text, changes):
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


@pytest.mark.parametrize("name", CASES)
def test_refused_at_its_place(name, text):
    changes, expected = CASES[name]
    with pytest.raises(BadInputError) as caught:
        parse_recipe(changed(text, changes), "x.yaml")

    found = caught.value.problems
    assert [p.field for p in found] == [field for field, _ in expected]
    for problem, (_, words) in zip(found, expected, strict=True):
        assert words in problem.message
        assert problem.line > 1


FINE = {
    "external trigger": [("source: inverter_edge", "source: external")],
    "references only": [*NO_TARGET, ("limits:\n", "limits: []\n")],
    "floor in between as well": [
        ("  - {role: target, condition: air_coil}", "  - {role: floor, condition: probe_off}\n"
         "  - {role: target, condition: air_coil}")
    ],
    "exactly enough samples": [
        ("duration: 40 us", "duration: 0.4 us"), ("pre_trigger: 4 us", "pre_trigger: 0 s")
    ],
    "bandwidth at half the sample rate": [
        ("minimum_bandwidth: 100 MHz", "minimum_bandwidth: 125 MHz")
    ],
    "both bounds in two limits": [
        ("{condition: triple_core, ", "{condition: damped_choke, residual_at_most: 1 mA, "),
        ("1 mA, quantity: lead_current, measure: rms, attenuation_at_least: 20 dB",
         "1 mA, quantity: lead_current, measure: rms"),
    ],
    "a limit that allows amplification": [("_at_least: 20 dB", "_at_least: -3 dB")],
    "a condition that no shot uses": [
        ("  probe_off:", "  spare: {kind: candidate, description: not yet bought}\n  probe_off:")
    ],
}  # fmt: skip


@pytest.mark.parametrize("name", FINE)
def test_passes(name, text):
    changes = FINE[name]
    if name == "references only":
        text = text[: text.index("\nlimits:")]
        changes = list(NO_TARGET)
    assert parse_recipe(changed(text, changes), "x.yaml").recipe.title


def test_every_role_and_every_kind_has_its_partner():
    roles = Shot.model_json_schema()["properties"]["role"]["enum"]
    kinds = Condition.model_json_schema()["properties"]["kind"]["enum"]

    assert list(KIND_OF_ROLE) == roles
    assert sorted(KIND_OF_ROLE.values()) == sorted(kinds)


def test_no_check_is_forgotten(text):
    """Every function of the module that takes a recipe is among those that run."""
    run = {check.func.__name__ for check in module.checks(parse_recipe(text, "x").recipe)}
    written = {
        name for name, thing in vars(module).items()
        if callable(thing) and "recipe" in getattr(thing, "__annotations__", {})
    }  # fmt: skip

    assert written - {"checks"} == run


def test_the_reserved_names_are_those_of_the_run_file():
    assert RESERVED == OF_THE_RUN_FILE


@pytest.mark.parametrize("name", sorted(RESERVED))
def test_a_reserved_name_is_shown_at_its_line_and_column(name, text):
    with pytest.raises(BadInputError) as caught:
        parse_recipe(text.replace("  inverter_edge:", f"  {name}:"), "x.yaml")

    (found,) = [p for p in caught.value.problems if p.field == f"quantities.{name}"]
    line = text.splitlines().index("  inverter_edge:") + 1
    assert (found.file, found.line, found.column) == ("x.yaml", line, 3)
