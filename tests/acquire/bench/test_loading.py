"""Bench profiles: what they become, where the parts are found, the hash, and every mistake."""

from datetime import date
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator

from acquire.bench import calibrations, json_schema, load_bench, parse_bench
from acquire.errors import BadInputError, ExitCode

BAD = Path(__file__).parent / "bad"


def test_the_shipped_bench_means_what_it_says(text):
    loaded = parse_bench(text, "some/where/tunnel.yaml")
    bench = loaded.bench

    assert (loaded.name, loaded.text) == ("tunnel.yaml", text)
    assert bench.inputs["lead_current"].input_impedance == 50.0
    assert bench.inputs["lead_current"].maximum_input == 10.0
    assert bench.inputs["inverter_edge"].input_impedance == 1e6
    assert bench.fixture.kind == "relay"
    assert bench.fixture.conditions["probe_off"] == (101, 110)
    assert bench.fixture.conditions["open_lead"] == ()
    assert bench.fixture.settling_time == 0.05
    assert bench.scope.calibration_due == date(2099, 12, 31)
    assert set(loaded.probes) == {"clamp_5ohm", "divider_10to1"}
    assert loaded.scope_profile is None
    assert "quillmoor_qv_3054" in loaded.scope_profiles


WRONG = [path for path in sorted(BAD.glob("*.yaml")) if not path.stem.startswith("probe_")]


@pytest.mark.parametrize("path", WRONG, ids=lambda path: path.stem)
def test_every_mistake_is_told_in_these_words(path, monkeypatch):
    """The text beside each wrong file was read by eye, line by line, before it was kept."""
    monkeypatch.chdir(BAD)
    with pytest.raises(BadInputError) as caught:
        load_bench(path.name)

    assert f"{caught.value}\n" == path.with_suffix(".txt").read_text(encoding="utf-8")
    assert caught.value.exit_code == ExitCode.BAD_INPUT


@pytest.mark.parametrize("data", ["5\n", "inputs: 5\n", "inputs: {a: 5, b: {probe: 3}}\n", "{}\n"])
def test_what_is_no_bench_is_told_and_not_stumbled_over(data):
    with pytest.raises(BadInputError):
        parse_bench(data, "x.yaml")


def test_calibrations_name_everything_that_is_calibrated(text):
    text = text.replace("  calibration_due: 2099-12-31\n\nretry", "\nretry")
    dates = dict(calibrations(parse_bench(text, "x")))

    end = date(2099, 12, 31)
    assert dates == {
        "oscilloscope": end, "relay unit": end, "ohmmeter": None,
        "probe clamp_5ohm": end, "probe divider_10to1": end,
    }  # fmt: skip


def test_an_ended_calibration_is_no_mistake_of_the_profile(text):
    assert parse_bench(text.replace("2099-12-31", "2001-01-31"), "x").bench


# -- where the parts are found ---------------------------------------------------------------------


def test_a_probe_beside_the_bench_goes_before_a_folder_of_probes_and_that_before_the_shipped(
    tmp_path, text, probe_text
):
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")

    def transfer():
        return load_bench(path).probes["clamp_5ohm"].transducer.transfer

    assert transfer() == 5.0
    (tmp_path / "probes").mkdir()
    (tmp_path / "probes" / "clamp_5ohm.yaml").write_text(probe_text.replace("5 ohm", "6 ohm"))
    assert transfer() == 6.0
    (tmp_path / "clamp_5ohm.yaml").write_text(probe_text.replace("5 ohm", "7 ohm"))
    assert transfer() == 7.0


@pytest.mark.parametrize("name", ["../outside", "/etc/passwd", ".hidden", "a/b", "a\\b"])
def test_a_probe_is_named_and_not_addressed(tmp_path, text, probe_text, name):
    (tmp_path / "outside.yaml").write_text(probe_text)
    (tmp_path / "bench").mkdir()
    path = tmp_path / "bench" / "bench.yaml"
    path.write_text(text.replace("probe: clamp_5ohm", f"probe: {name}"), encoding="utf-8")
    with pytest.raises(BadInputError, match="is not a file name") as caught:
        load_bench(path)
    assert caught.value.problems[0].field == "inputs.lead_current.probe"


def test_an_own_scope_profile_goes_before_a_shipped_one(tmp_path, text):
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    shipped = load_bench(path).scope_profiles
    (tmp_path / "scopes").mkdir()
    own = "floorshot_scope: 1\ndialect: lecroy\nmaker: mine\nmodel: m1\nchannels: 2\n"
    own += "vertical_ranges: [1 V]\nvertical_divisions: 8\nhorizontal_divisions: 10\n"
    own += "bandwidth: 1 MHz\nmaximum_sample_rate: 1 MSa/s\nmaximum_record_length: 1000\n"
    own += "bits: 12\ncode_bits: 16\ninput_impedances: [1 Mohm]\ngain_accuracy: 2 %\n"
    (tmp_path / "scopes" / "quillmoor_qv_3054.yaml").write_text(own)
    (tmp_path / "scopes" / "mine.yaml").write_text(own)

    found = load_bench(path).scope_profiles
    assert found["quillmoor_qv_3054"].maker == "mine"
    assert list(found)[:2] == ["mine", "quillmoor_qv_3054"]  # asked first
    assert set(found) == {*shipped, "mine"}

    (tmp_path / "scopes" / "mine.yaml").write_text(own.replace("code_bits: 16", "code_bits: 8"))
    with pytest.raises(BadInputError, match="12 bits does not fit into codes of 8 bits"):
        load_bench(path)


# -- a bench out of a run file ---------------------------------------------------------------------


def test_it_loads_again_from_the_texts_that_a_run_file_keeps(
    tmp_path, text, window_text, table_text
):
    (tmp_path / "own.yaml").write_text(window_text.replace("1 ohm", "1.1 ohm"))
    (tmp_path / "window_1ohm.csv").write_text(table_text.replace("-8.60", "-8.61"))
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("probe: clamp_5ohm", "probe: own"), encoding="utf-8")
    before = load_bench(path)
    texts = dict(before.probe_texts)
    assert set(texts) == {"own", "own.csv", "divider_10to1"}

    for file in tmp_path.iterdir():
        file.unlink()
    after = parse_bench(before.text, before.name, probe_texts=texts)

    assert after.sha256 == before.sha256
    one, other = (b.probes["own"].transducer for b in (before, after))
    assert (one.transfer, one.band) == (other.transfer, other.band) == (1.1, (20e3, 100e6))
    assert (one.table.magnitude == other.table.magnitude).all()


def test_from_stored_texts_no_file_is_read(text):
    with pytest.raises(BadInputError, match="there is no probe profile 'clamp_5ohm'"):
        parse_bench(text, "x", probe_texts={})


def test_a_table_that_was_not_stored_is_told(text, window_text):
    texts = {"clamp_5ohm": window_text, "divider_10to1": window_text}
    with pytest.raises(BadInputError, match=r"text of this table \('window_1ohm.csv'\) is not"):
        parse_bench(text, "x", probe_texts=texts)


# -- the hash --------------------------------------------------------------------------------------


def same(text, old, new):
    assert old in text
    return parse_bench(text, "x").sha256 == parse_bench(text.replace(old, new), "x").sha256


def test_spelling_does_not_change_the_hash(text):
    assert same(text, "50 ms", "0.05 s")
    assert same(text, "  settling_time: 50 ms\n", "")
    assert same(text, "pickup_repeatability: 2 %", "pickup_repeatability: 0.02 # always")
    assert same(text, "bare: [101]", "bare:\n      - 101")


def test_meaning_changes_the_hash(text):
    assert not same(text, "127.0.0.1::45025", "127.0.0.1::45125")
    assert not same(text, "channel: 3", "channel: 4")
    assert not same(text, "scope:\n", "scope:\n  profile: quillmoor_qv_3054\n")


def test_the_hash_covers_probes_their_tables_and_a_named_model(
    text, probe_text, window_text, table_text
):
    def sha(**texts):
        divider = probe_text.replace("kind: current", "kind: voltage").replace(
            "transfer_impedance: 5 ohm", "attenuation: 10"
        )
        divider = divider.replace("maximum_current: 20 A\n", "")
        stored = {"clamp_5ohm": probe_text, "divider_10to1": divider, **texts}
        return parse_bench(text, "x", probe_texts=stored).sha256

    base = sha()
    assert sha(clamp_5ohm=probe_text + "# a remark\n") == base
    assert sha(clamp_5ohm=probe_text.replace("3 %", "4 %")) != base
    table = sha(clamp_5ohm=window_text, **{"clamp_5ohm.csv": table_text})
    remark = sha(clamp_5ohm=window_text, **{"clamp_5ohm.csv": "# a remark\n" + table_text})
    other = sha(clamp_5ohm=window_text, **{"clamp_5ohm.csv": table_text.replace("51.3", "51.4")})
    assert table == remark != other


# -- for editors -----------------------------------------------------------------------------------


def test_the_json_schemas_take_what_is_shipped(text, probe_text):
    read = yaml.safe_load  # noqa: TID251 - a reader that is not ours
    for kind, shipped in {"bench": text, "probe": probe_text}.items():
        schema = json_schema(kind)
        Draft202012Validator.check_schema(schema)
        shipped = shipped.replace("2099-12-31", "'2099-12-31'").replace(
            "2026-02-11", "'2026-02-11'"
        )
        Draft202012Validator(schema).validate(read(shipped))
    Draft202012Validator.check_schema(json_schema("scope"))


def test_the_json_schema_writes_defaults_as_people_do():
    inputs = json_schema("bench")["$defs"]["Input"]["properties"]

    assert inputs["input_impedance"]["default"] == "1 Mohm"
    assert inputs["pickup_repeatability"]["default"] == 0.02
