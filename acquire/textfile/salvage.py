"""What can be made of data in which some values are wrong.

Mistakes of meaning (a name that does not exist, a pre-trigger longer than the record) should be
told together with mistakes of form (a unit left out). So the checks of meaning also run on what is
left when the wrong values are taken out.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo


def salvage(model: type[BaseModel], data: object) -> SimpleNamespace:
    """Return an object with the attributes of ``model`` that are valid in ``data``.

    An attribute whose value is wrong or missing does not exist. Blocks in a list or a mapping keep
    their position and name even where they are wrong, as an object with fewer attributes. A list
    of anything else is there only if all of it is valid.
    """
    found: dict[str, object] = {}
    for name, field in model.model_fields.items():
        if isinstance(data, dict) and name in data:
            found.update(_one(name, _annotated(field), data[name]))
        elif not field.is_required():
            found[name] = field.get_default(call_default_factory=True)
    return SimpleNamespace(**found)


def _annotated(field: FieldInfo) -> Any:
    return Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation


def _one(name: str, kind: Any, value: object) -> dict[str, object]:
    """Return ``{name: value}``, or nothing where the value is beyond use."""
    try:
        return {name: TypeAdapter(kind).validate_python(value, strict=True)}
    except ValidationError:
        pass
    kind = _bare(kind)
    if _is_model(kind) and isinstance(value, dict):
        return {name: salvage(kind, value)}
    inner = get_args(kind)
    if get_origin(kind) is dict and isinstance(value, dict) and _is_model(inner[1]):
        return {name: {key: _entry(inner[1], item) for key, item in value.items()}}
    if get_origin(kind) is tuple and isinstance(value, tuple) and _is_model(inner[0]):
        return {name: tuple(_entry(inner[0], item) for item in value)}
    return {}


def _bare(kind: Any) -> Any:
    while get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    return kind


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _entry(kind: Any, value: object) -> object:
    return _one("entry", kind, value).get("entry", SimpleNamespace())
