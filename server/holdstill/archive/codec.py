"""Events to text and back, exactly: what is read equals what was written, arrays bit for bit.

An event is written as one JSON object, ``{"v": 1, "kind": "ViewKept", "data": {...}}``.  Arrays
are ``{"dtype": "<f8", "shape": [3, 2], "data": base64}``; numbers that JSON has no word for (NaN,
infinities) are ``{"number": "nan"}``.  Fields added later with a default need no upgrade; anything
else gets a function in `UPGRADES` and a new `VERSION`.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import types
from collections.abc import Callable
from enum import Enum
from typing import Any, Union, get_args, get_origin

import cattrs
import numpy as np
from numpy.typing import NDArray

from holdstill.errors import StorageTrouble
from holdstill.phrases import say
from holdstill.records import Say
from holdstill.records import events as ev

VERSION = 1
"""Version of the written form. Raise it together with a function in `UPGRADES`."""

UPGRADES: dict[int, Callable[[str, dict[str, Any]], tuple[str, dict[str, Any]]]] = {}
"""version -> what turns (kind, data) of that version into the next one's."""

KINDS: dict[str, type[Any]] = {kind.__name__: kind for kind in get_args(ev.Event)}
"""Every kind of event by the name it is written under."""

_PRIMITIVES = {int, float, str, bool, type(None)}
_NO_WORD = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


def _from_number(value: float) -> float | dict[str, str]:
    plain = float(value)
    if math.isfinite(plain):
        return plain
    return {"number": "nan" if math.isnan(plain) else "inf" if plain > 0 else "-inf"}


def _to_number(value: Any, _kind: Any = float) -> float:
    if isinstance(value, dict):
        return _NO_WORD[value["number"]]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} is not a number")
    return float(value)


def _to_primitive(value: Any, kind: Any) -> Any:
    """One of several plain types, as written; a float where only floats can be meant."""
    if isinstance(value, dict):
        return _NO_WORD[value["number"]]
    allowed = set(get_args(kind))
    if isinstance(value, int) and not isinstance(value, bool) and int not in allowed and float in allowed:
        return float(value)
    if type(value) not in allowed:
        raise TypeError(f"{value!r} is none of {kind}")
    return value


def _from_array(array: NDArray[Any]) -> dict[str, Any]:
    kind = array.dtype.newbyteorder("<") if array.dtype.byteorder == ">" else array.dtype
    plain = np.ascontiguousarray(array, dtype=kind)
    return {
        "dtype": plain.dtype.str,
        "shape": list(array.shape),
        "data": base64.b64encode(plain.tobytes()).decode("ascii"),
    }


def _to_array(value: dict[str, Any], _kind: Any) -> NDArray[Any]:
    kind = np.dtype(value["dtype"])
    if kind.kind not in "biuf":
        raise TypeError(f"arrays of {kind} are not kept")
    flat = np.frombuffer(base64.b64decode(value["data"], validate=True), dtype=kind)
    return flat.reshape(value["shape"]).copy()


def _is_array(kind: Any) -> bool:
    return get_origin(kind) is np.ndarray or kind is np.ndarray


def _is_primitive_union(kind: Any) -> bool:
    return get_origin(kind) in (Union, types.UnionType) and set(get_args(kind)) <= _PRIMITIVES


def _plain(value: Any) -> Any:
    """What a value of unknown type is written as."""
    if isinstance(value, np.ndarray):
        return _from_array(value)
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return _from_number(value)
    return value


def _of_numpy(value: Any) -> Any:
    """A NumPy number where a plain one was meant, as the plain one."""
    if isinstance(value, np.generic):
        return _plain(value.item())
    raise TypeError(f"{type(value).__name__} can't be written to the journal")


def make_converter() -> cattrs.Converter:
    """The converter behind `write` and `read`: arrays, numbers without a word, unions of plain types."""
    converter = cattrs.Converter(detailed_validation=False)
    converter.register_unstructure_hook_func(_is_array, _from_array)
    converter.register_unstructure_hook(np.ndarray, _from_array)
    converter.register_structure_hook_func(_is_array, _to_array)
    converter.register_unstructure_hook(float, _from_number)
    converter.register_structure_hook(float, _to_number)
    converter.register_unstructure_hook_func(_is_primitive_union, _plain)
    converter.register_structure_hook_func(_is_primitive_union, _to_primitive)
    converter.register_unstructure_hook(np.generic, _plain)
    return converter


CONVERTER = make_converter()


def write(event: ev.Event) -> str:
    """The event as one line of JSON, plain ASCII (file names may hold bytes that are no text)."""
    told = {"v": VERSION, "kind": type(event).__name__, "data": CONVERTER.unstructure(event)}
    return json.dumps(told, default=_of_numpy, allow_nan=False, separators=(",", ":"))


def read(text: str) -> ev.Event:
    """The event a line of JSON stands for. Raises StorageTrouble for what can't be read."""
    try:
        told = json.loads(text)
        version, kind, data = told["v"], told["kind"], told["data"]
    except (ValueError, KeyError, TypeError) as trouble:
        raise _unreadable(str(trouble)) from trouble
    if version > VERSION:
        raise StorageTrouble(say(Say("archive.newer", {"got": version, "known": VERSION})))
    for step in range(version, VERSION):
        kind, data = UPGRADES[step](kind, data)
    if kind not in KINDS:
        raise _unreadable(f"no event is called {kind!r}")
    try:
        event: ev.Event = CONVERTER.structure(data, KINDS[kind])
    except Exception as trouble:  # whatever a hand-edited line breaks on
        raise _unreadable(f"{kind}: {trouble}") from trouble
    return event


def _unreadable(reason: str) -> StorageTrouble:
    return StorageTrouble(say(Say("archive.event-unreadable", {"reason": reason[:200]})))


def fingerprint(thing: object) -> str:
    """SHA-256 (hex) of everything `thing` holds, the same on every machine: two sessions with the same
    fingerprint are identical to the last bit of every number.

    `thing`: any record that the journal could hold, or a session's state.
    """
    told = json.dumps(CONVERTER.unstructure(thing), default=_of_numpy, allow_nan=False, sort_keys=True)
    return hashlib.sha256(told.encode("ascii")).hexdigest()
