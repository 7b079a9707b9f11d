"""What a recipe must mean, beyond its form: names that exist, parts that agree.

Each check says which value it is about, so that the complaint can be shown at its line. A check
may assume the form to be right only for what it touches (see ``acquire.textfile.validated``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial

from acquire.analysis.measures import MEASURES
from acquire.quantities import Physical, format_quantity
from acquire.recipe.schema import Recipe
from acquire.textfile import OF_KEY, Check, Complaint, did_you_mean

EXTERNAL = "external"
"""The trigger source that is no quantity: the scope's external input."""

RESERVED = frozenset({"repeat", "time", "quantity", "trigger_time", "gain", "offset", "start_time"})
"""Names that a run file uses itself beside the quantities; a test compares them."""

KIND_OF_ROLE = {
    "reference": "bare",
    "floor": "no_current",
    "target": "candidate",
    "open_circuit": "open_circuit",
}
"""Role of a shot -> kind of condition that it is taken in."""

UNIT_OF_KIND = {"current": "A", "voltage": "V"}

FEWEST_SAMPLES = 100
MOST_SAMPLES = 1_000_000_000


def checks(recipe: Recipe) -> Iterator[Check]:
    """Yield every check of a recipe."""
    for index in range(len(recipe.shots)):
        yield partial(_shot, recipe, index)
        yield partial(_opens_protective, recipe, index)
        yield partial(_open_circuit_needs_voltage, recipe, index)
    for index in range(len(recipe.limits)):
        yield partial(_limit_names, recipe, index)
        yield partial(_limit_bound, recipe, index)
        yield partial(_limit_is_computed, recipe, index)
    for name in recipe.quantities:
        yield partial(_quantity, recipe, name)
    yield partial(_any_evaluated, recipe)
    yield partial(_measures, recipe)
    yield partial(_trigger_source, recipe)
    yield partial(_trigger_level, recipe)
    yield partial(_pre_trigger, recipe)
    yield partial(_record, recipe)
    yield partial(_bandwidth, recipe)
    yield partial(_references, recipe)
    yield partial(_floors, recipe)
    yield partial(_limits_once, recipe)


def _unknown(what: str, written: str, known: Iterable[str]) -> str:
    return f"there is no {what} '{written}'{did_you_mean(written, known)}"


def _words(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in sorted(names))


# -- shots -----------------------------------------------------------------------------------------


def _shot(recipe: Recipe, index: int) -> Iterator[Complaint]:
    shot = recipe.shots[index]
    if shot.condition not in recipe.conditions:
        message = _unknown("condition", shot.condition, recipe.conditions)
        yield ("shots", index, "condition"), message
        return
    kind = recipe.conditions[shot.condition].kind
    wanted = KIND_OF_ROLE[shot.role]
    if kind != wanted:
        roles = [role for role, of in KIND_OF_ROLE.items() if of == kind]
        message = (
            f"a {shot.role} shot is taken in a condition of the kind {wanted}, but "
            f"'{shot.condition}' is of the kind {kind}; name another condition, or give the shot "
            f"the role {' or '.join(roles)}"
        )
        yield ("shots", index, "role"), message


def _opens_protective(recipe: Recipe, index: int) -> Iterator[Complaint]:
    if recipe.shots[index].role == "open_circuit" and recipe.conductor.protective:
        message = (
            "this shot would open a protective conductor, which this program does not do; take "
            "the shot out, or measure on a conductor that protects nobody"
        )
        yield ("shots", index), message


def _open_circuit_needs_voltage(recipe: Recipe, index: int) -> Iterator[Complaint]:
    if recipe.shots[index].role != "open_circuit":
        return
    if all(quantity.kind != "voltage" for quantity in recipe.quantities.values()):
        message = "an open_circuit shot measures a voltage, but no quantity is of that kind"
        yield ("shots", index, "role"), message


def _references(recipe: Recipe) -> Iterator[Complaint]:
    """Ask for a reference before the first target and after the last, so that drift is seen."""
    roles = [shot.role for shot in recipe.shots]
    if "target" not in roles:
        if "reference" not in roles:
            yield ("shots",), "there is no reference shot; add one on the bare conductor"
        return
    first = roles.index("target")
    last = len(roles) - 1 - roles[::-1].index("target")
    if "reference" not in roles[:first]:
        message = "no reference shot comes before this first target; add one on the bare conductor"
        yield ("shots", first), message
    if "reference" not in roles[last:]:
        message = (
            "no reference shot comes after this last target, so a drift of the source could not be "
            "told from attenuation; add a closing reference on the bare conductor"
        )
        yield ("shots", last), message


def _floors(recipe: Recipe) -> Iterator[Complaint]:
    if all(shot.role != "floor" for shot in recipe.shots):
        message = (
            "there is no floor shot, and nothing can be corrected without one; add one with the "
            "probe shorted or off the conductor. It belongs last: a floor is taken at every range "
            "that the shots before it used"
        )
        yield ("shots",), message


# -- quantities and trigger ------------------------------------------------------------------------


def _wrong_unit(level: Physical, kind: str, of: str) -> str | None:
    unit = UNIT_OF_KIND[kind]
    if level.unit == unit:
        return None
    return f"{of} is a {kind}; give this in {unit}, not in {level.unit}"


def _quantity(recipe: Recipe, name: str) -> Iterator[Complaint]:
    quantity = recipe.quantities[name]
    if name == EXTERNAL:
        message = f"'{EXTERNAL}' is the scope's external trigger input; choose another name"
        yield ("quantities", name, OF_KEY), message
    if name in RESERVED:
        message = (
            f"a run file uses the name '{name}' itself, and {_words(RESERVED - {name})}; "
            "choose another name"
        )
        yield ("quantities", name, OF_KEY), message
    if quantity.expected_peak is not None:
        message = _wrong_unit(quantity.expected_peak, quantity.kind, f"'{name}'") or ""
        if message:
            yield ("quantities", name, "expected_peak"), message


def _any_evaluated(recipe: Recipe) -> Iterator[Complaint]:
    if not any(quantity.evaluated for quantity in recipe.quantities.values()):
        yield ("quantities",), "no quantity is evaluated, so there would be no result"


def _trigger_source(recipe: Recipe) -> Iterator[Complaint]:
    source = recipe.acquisition.trigger.source
    if source != EXTERNAL and source not in recipe.quantities:
        message = _unknown("quantity", source, [*recipe.quantities, EXTERNAL])
        yield ("acquisition", "trigger", "source"), message


def _trigger_level(recipe: Recipe) -> Iterator[Complaint]:
    trigger = recipe.acquisition.trigger
    if trigger.source == EXTERNAL:
        message = _wrong_unit(trigger.level, "voltage", "the external trigger input")
    elif trigger.source in recipe.quantities:
        kind = recipe.quantities[trigger.source].kind
        message = _wrong_unit(trigger.level, kind, f"'{trigger.source}'")
    else:
        message = None
    if message:
        yield ("acquisition", "trigger", "level"), message


# -- the record ------------------------------------------------------------------------------------


def _pre_trigger(recipe: Recipe) -> Iterator[Complaint]:
    asked = recipe.acquisition
    if asked.pre_trigger >= asked.duration:
        message = (
            f"the pre-trigger of {format_quantity(asked.pre_trigger, 's')} leaves nothing of a "
            f"record of {format_quantity(asked.duration, 's')} after the trigger; make it shorter"
        )
        yield ("acquisition", "pre_trigger"), message


def _record(recipe: Recipe) -> Iterator[Complaint]:
    asked = recipe.acquisition
    samples = asked.duration * asked.minimum_sample_rate
    if samples * (1 + 1e-9) >= FEWEST_SAMPLES and samples <= MOST_SAMPLES:
        return
    wrong = "too few to show an event" if samples < FEWEST_SAMPLES else "beyond any scope's memory"
    message = (
        f"{format_quantity(asked.duration, 's')} at "
        f"{format_quantity(asked.minimum_sample_rate, 'Sa/s')} are {samples:.3g} samples, {wrong}; "
        "change duration or minimum_sample_rate"
    )
    yield ("acquisition", "duration"), message


def _bandwidth(recipe: Recipe) -> Iterator[Complaint]:
    asked = recipe.acquisition
    if asked.minimum_bandwidth is None:
        return
    if asked.minimum_bandwidth > asked.minimum_sample_rate / 2:
        message = (
            f"{format_quantity(asked.minimum_sample_rate, 'Sa/s')} show nothing above "
            f"{format_quantity(asked.minimum_sample_rate / 2, 'Hz')}; raise minimum_sample_rate, "
            "or ask for less bandwidth"
        )
        yield ("acquisition", "minimum_bandwidth"), message


# -- analysis and limits ---------------------------------------------------------------------------


def _measures(recipe: Recipe) -> Iterator[Complaint]:
    seen: set[str] = set()
    for index, name in enumerate(recipe.analysis.measures):
        if name not in MEASURES:
            yield ("analysis", "measures", index), _unknown("measure", name, MEASURES)
        elif name in seen:
            yield ("analysis", "measures", index), f"'{name}' stands here twice; leave one out"
        seen.add(name)


def _limit_names(recipe: Recipe, index: int) -> Iterator[Complaint]:
    limit = recipe.limits[index]
    place = ("limits", index)
    candidates = [name for name, c in recipe.conditions.items() if c.kind == "candidate"]
    if limit.condition not in recipe.conditions:
        message = _unknown("condition", limit.condition, candidates)
        yield (*place, "condition"), message
    elif limit.condition not in candidates:
        message = f"'{limit.condition}' is no candidate, and a limit judges one"
        yield (*place, "condition"), message + did_you_mean(limit.condition, candidates)
    elif not any(s.role == "target" and s.condition == limit.condition for s in recipe.shots):
        message = f"no target shot is taken of '{limit.condition}', so this cannot be judged"
        yield (*place, "condition"), message
    if limit.quantity not in recipe.quantities:
        yield (*place, "quantity"), _unknown("quantity", limit.quantity, recipe.quantities)
    elif not recipe.quantities[limit.quantity].evaluated:
        message = f"'{limit.quantity}' is not evaluated, so it cannot be judged"
        yield (*place, "quantity"), message


def _limit_bound(recipe: Recipe, index: int) -> Iterator[Complaint]:
    limit = recipe.limits[index]
    if (limit.attenuation_at_least is None) == (limit.residual_at_most is None):
        message = "give exactly one of attenuation_at_least and residual_at_most"
        yield ("limits", index), message
    if limit.residual_at_most is not None and limit.quantity in recipe.quantities:
        kind = recipe.quantities[limit.quantity].kind
        wrong = _wrong_unit(limit.residual_at_most, kind, f"'{limit.quantity}'")
        if wrong:
            yield ("limits", index, "residual_at_most"), wrong


def _limit_is_computed(recipe: Recipe, index: int) -> Iterator[Complaint]:
    name = recipe.limits[index].measure
    if name not in MEASURES:
        yield ("limits", index, "measure"), _unknown("measure", name, MEASURES)
    elif name not in recipe.analysis.measures:
        message = f"'{name}' is not computed; add it to the measures of 'analysis'"
        yield ("limits", index, "measure"), message


def _limits_once(recipe: Recipe) -> Iterator[Complaint]:
    seen: dict[tuple[str, str, str, bool], int] = {}
    for index, limit in enumerate(recipe.limits):
        bound = limit.attenuation_at_least is None
        what = (limit.condition, limit.quantity, limit.measure, bound)
        if what in seen:
            message = f"limit {seen[what]} judges the same; leave one out"
            yield ("limits", index), message
        seen.setdefault(what, index)
