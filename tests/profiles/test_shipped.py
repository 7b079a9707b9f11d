"""Everything that is shipped loads, is listed, and agrees with what it stands for."""

import csv
import re
from importlib.resources import files
from pathlib import Path

import pytest

from acquire.bench import load_bench, load_probe
from acquire.bench.scope_profile import shipped_scope_profiles
from acquire.recipe import load_recipe
from drivers.catalogue import DIALECTS, dialect_for, profile_for
from drivers.scope import Identity
from simulated_instruments.models import MAKER, MODELS

FOLDER = Path(str(files("profiles")))
README = (FOLDER / "README.md").read_text(encoding="utf-8")
SIMULATED = {f"quillmoor_{m.model.lower().replace('-', '_')}": m for m in MODELS.values()}


def shipped(kind, end="yaml"):
    return sorted((FOLDER / kind).glob(f"*.{end}"))


@pytest.mark.parametrize("path", shipped("recipes"), ids=lambda p: p.stem)
def test_recipes_load(path):
    assert load_recipe(path).recipe.title


@pytest.mark.parametrize("path", shipped("benches"), ids=lambda p: p.stem)
def test_benches_load(path):
    assert load_bench(path).bench.site


@pytest.mark.parametrize("path", shipped("probes"), ids=lambda p: p.stem)
def test_probes_load_and_are_of_an_invented_maker(path):
    assert load_probe(path).probe.name.startswith(MAKER)


@pytest.mark.parametrize("path", shipped("probes", "csv"), ids=lambda p: p.stem)
def test_tables_are_square(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    assert len({len(row) for row in rows}) == 1


@pytest.mark.parametrize("kind", ["recipes", "benches", "probes"])
def test_every_one_is_listed(kind):
    assert [p.stem for p in shipped(kind) if f"| `{p.stem}` |" not in README] == []


def test_every_real_scope_is_listed_and_says_where_its_numbers_come_from():
    for path in shipped("scopes"):
        head = path.read_text(encoding="utf-8").split("floorshot_scope")[0]
        if path.stem in SIMULATED:
            assert "invented" in head
        else:
            assert f"| `{path.stem}` |" in README
            assert "from memory" in head
            assert "# In doubt: " in head


@pytest.mark.parametrize("name", sorted(SIMULATED))
def test_a_simulated_scope_is_what_its_simulation_is(name):
    profile, model = shipped_scope_profiles()[name], SIMULATED[name]

    assert profile.dialect == model.dialect
    assert profile.channels == model.channels
    assert profile.vertical_ranges == pytest.approx(model.ranges)
    assert profile.vertical_divisions == model.vertical_divisions
    assert profile.horizontal_divisions == model.horizontal_divisions
    assert profile.bandwidth == model.bandwidth
    assert profile.maximum_sample_rate == model.maximum_rate
    assert profile.maximum_record_length == model.memory
    assert profile.record_lengths == model.record_lengths
    assert profile.bits == model.bits
    assert profile.input_impedances == model.impedances
    assert profile.gain_accuracy == model.gain_accuracy
    assert profile.maximum_segments == model.maximum_segments


def test_every_simulated_model_has_a_profile():
    assert set(SIMULATED) <= set(shipped_scope_profiles())


@pytest.mark.parametrize("name", sorted(shipped_scope_profiles()))
def test_a_driver_takes_the_profile(name):
    profile = shipped_scope_profiles()[name]

    assert profile.dialect in DIALECTS
    assert profile.code_bits in DIALECTS[profile.dialect].CODE_BITS


# What the instruments answer to *IDN?, from the makers' programming manuals (facts from memory).
ANSWERS = {
    "keysight_3054t": [f"KEYSIGHT TECHNOLOGIES,{kind}-X 3054T,MY1,7" for kind in ("DSO", "MSO")],
    "lecroy_hdo4034": ["LECROY,HDO4034,LCRY1,7.6.1"],
    "rigol_mso5074": ["RIGOL TECHNOLOGIES,MSO5074,MS5A1,00.01.03"],
    "rohde_schwarz_rtb2004": ["Rohde&Schwarz,RTB2004,1333.1005k04/1,02.400"],
    "siglent_sds1104x_e": ["Siglent Technologies,SDS1104X-E,SDS1,8.2.6.1.37R8"],
    "tektronix_mso4104": [f"TEKTRONIX,{kind}4104,C1,CF:91.1CT FV:v2" for kind in ("MSO", "DPO")],
    **{name: [f"{MAKER},{model.model},X1,1.0"] for name, model in SIMULATED.items()},
}  # fmt: skip


@pytest.mark.parametrize("name", ANSWERS)
def test_an_instrument_finds_its_own_profile(name):
    for answer in ANSWERS[name]:
        identity = Identity(*answer.split(","), raw=answer)
        found = profile_for(identity, shipped_scope_profiles())
        assert found.name == name
        assert found.dialect == dialect_for(identity)


def test_every_scope_is_asked_for_above():
    assert set(ANSWERS) == set(shipped_scope_profiles())


def test_no_other_files_are_shipped():
    kinds = {p.suffix for p in FOLDER.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    assert kinds == {".yaml", ".csv", ".md", ".py", ".typed"}


def test_every_link_of_the_page_leads_somewhere():
    links = [link.split("#")[0] for link in re.findall(r"\]\(([^)]+)\)", README)]
    assert links
    assert [link for link in links if not (FOLDER / link).exists()] == []
