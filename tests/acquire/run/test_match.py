"""What a bench cannot do of a recipe is told at the line that has to change."""

from pathlib import Path

import pytest

import profiles
from acquire.bench import parse_bench
from acquire.recipe import parse_recipe
from acquire.run.match import match

SHIPPED = Path(profiles.__file__).parent
RECIPE = (SHIPPED / "recipes" / "bonding_lead.yaml").read_text(encoding="utf-8")
SOURCE = (SHIPPED / "recipes" / "bonding_lead_source.yaml").read_text(encoding="utf-8")
BENCH = (SHIPPED / "benches" / "wind_tunnel_simulated.yaml").read_text(encoding="utf-8")
OPERATOR = (SHIPPED / "benches" / "wind_tunnel_operator.yaml").read_text(encoding="utf-8")


def changed(text, changes):
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def matched(recipe_changes=(), bench_changes=(), recipe=RECIPE, bench=BENCH):
    return match(
        parse_recipe(changed(recipe, recipe_changes), "r.yaml"),
        parse_bench(changed(bench, bench_changes), "b.yaml"),
    )


@pytest.mark.parametrize("recipe", [RECIPE, SOURCE], ids=["lead", "source"])
@pytest.mark.parametrize("bench", [BENCH, OPERATOR], ids=["relay", "operator"])
def test_the_shipped_recipes_run_on_the_shipped_benches(recipe, bench):
    assert matched(recipe=recipe, bench=bench) == ()


CASES = {
    "a quantity that is not wired": (
        [],
        [("  lead_current:", "  leadcurrent:")],
        [("r.yaml", "quantities.lead_current", "b.yaml wires no scope input to 'lead_cu")],
    ),
    "a voltage through a current probe": (
        [],
        [("probe: divider_10to1", "probe: clamp_5ohm")],
        [("r.yaml", "quantities.inverter_edge.kind", "with clamp_5ohm, which is a current probe")],
    ),
    "a condition that no relay makes": (
        [],
        [("    triple_core: [103]", "    tripple_core: [103]")],
        [("r.yaml", "conditions.triple_core", "has no condition 'triple_core'; did you mean")],
    ),
    "no ohmmeter": (
        [],
        [("ohmmeter:\n", "#\n"), ("  resource: TCPIP::127.0.0.1::45027::SOCKET\n", ""),
         ("  identity: {maker: QUILLMOOR INSTRUMENTS}\n  calibration_due: 2099-12-31\n\n", "")],
        [("r.yaml", "conductor.protective", "b.yaml has no ohmmeter; add one")],
    ),
    "a relay state that opens a protective conductor": (
        [],
        [("    probe_off: [101, 110]", "    probe_off: []"), ("    open_lead: []\n", "")],
        [("b.yaml", "fixture.conditions.probe_off", "r.yaml calls protective")],
    ),
    "a peak beyond the probe": (
        [("expected_peak: 1.3 A", "expected_peak: 21 A")],
        [("maximum_input: 10 V", "maximum_input: 200 V")],
        [("r.yaml", "quantities.lead_current.expected_peak", "21 A is more than the 20 A that")],
    ),
    "a peak beyond the input": (
        [("expected_peak: 1.3 A", "expected_peak: 2.1 A")],
        [],
        [("r.yaml", "quantities.lead_current.expected_peak", "are 10.5 V at the scope, more than")],
    ),
    "a bandwidth beyond the probe": (
        [("minimum_bandwidth: 100 MHz", "minimum_bandwidth: 201 MHz"),
         ("minimum_sample_rate: 250 MS/s", "minimum_sample_rate: 1 GS/s")],
        [],
        [("r.yaml", "acquisition.minimum_bandwidth", "the probe clamp_5ohm ends at 200 MHz")],
    ),
    "a bandwidth beyond the table of the probe": (
        [("100 MHz", "101 MHz")],
        [("probe: clamp_5ohm", "probe: window_1ohm")],
        [("r.yaml", "acquisition.minimum_bandwidth", "the probe window_1ohm ends at 100 MHz")],
    ),
    "a bandwidth limit below the asked bandwidth": (
        [],
        [("    maximum_input: 10 V", "    maximum_input: 10 V\n    bandwidth_limit: 20 MHz")],
        [("r.yaml", "acquisition.minimum_bandwidth", "the bandwidth limit of 'lead_current' in")],
    ),
    "a scope that is fast, wide and long enough": (
        [("250 MS/s", "20 GS/s")],
        [("scope:\n", "scope:\n  profile: quillmoor_qi_9254\n")],
        [],
    ),
    "a scope that is too slow, too narrow and too short": (
        [("250 MS/s", "2.5 GS/s"), ("100 MHz", "101 MHz"), ("duration: 40 us", "duration: 20 ms")],
        [("scope:\n", "scope:\n  profile: quillmoor_qr_1104\n")],
        [("r.yaml", "acquisition.minimum_bandwidth", "quillmoor_qr_1104 has a bandwidth of 100"),
         ("r.yaml", "acquisition.minimum_sample_rate", "quillmoor_qr_1104 takes at most 1 GSa/s"),
         ("r.yaml", "acquisition.duration", "5e+07 samples; quillmoor_qr_1104 stores at most 24")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_told_at_the_line_that_has_to_change(name):
    recipe_changes, bench_changes, expected = CASES[name]

    found = matched(recipe_changes, bench_changes)

    assert [(p.file, p.field) for p in found] == [(file, field) for file, field, _ in expected]
    for problem, (_, _, words) in zip(found, expected, strict=True):
        assert words in problem.message
        assert problem.line > 1


def test_everything_is_told_at_once():
    assert len(matched([("expected_peak: 1.3 A", "expected_peak: 30 A")],
                       [("    triple_core: [103]\n", ""), ("  lead_voltage:", "  voltage:"),
                        ("  inverter_edge:", "  edge:")])) == 4  # fmt: skip


def test_an_operator_makes_any_condition():
    assert matched([("  probe_off:", "  off:"), ("condition: probe_off}", "condition: off}")],
                   bench=OPERATOR) == ()  # fmt: skip


def test_no_ohmmeter_is_needed_where_the_conductor_protects_nobody():
    start, end = BENCH.index("ohmmeter:"), BENCH.index("retry:")

    assert (
        matched([("protective: true", "protective: false")], bench=BENCH[:start] + BENCH[end:])
        == ()
    )
