"""Every kind of event comes back as it was written, bit for bit, whatever its fields hold."""

from __future__ import annotations

import dataclasses
import json
import math
import types
from collections.abc import Mapping
from enum import Enum
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from holdstill.archive import codec
from holdstill.errors import StorageTrouble
from holdstill.records import events as ev

TEXT = st.text(max_size=12)
FLOAT = st.floats(width=64)


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any value of an annotated type that the records use."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return st.one_of([values_of(p) for p in parts])
    if origin is tuple:
        if len(parts) == 2 and parts[1] is Ellipsis:
            return st.lists(values_of(parts[0]), max_size=2).map(tuple)
        return st.tuples(*[values_of(p) for p in parts])
    if origin in (dict, Mapping):
        return st.dictionaries(values_of(parts[0]), values_of(parts[1]), max_size=2)
    if origin is np.ndarray:
        sample = get_args(parts[1])[0]
        return hnp.arrays(np.dtype(sample), hnp.array_shapes(min_dims=1, max_dims=2, min_side=0, max_side=4))
    if kind is type(None):
        return st.none()
    if kind is bool:
        return st.booleans()
    if kind is int:
        return st.integers(-(10**15), 10**15)
    if kind is float:
        return FLOAT
    if kind is str:
        return TEXT
    if isinstance(kind, type) and issubclass(kind, Enum):
        return st.sampled_from(list(kind))
    if dataclasses.is_dataclass(kind):
        hints = get_type_hints(kind)
        fields = {f.name: values_of(hints[f.name]) for f in dataclasses.fields(kind)}
        return st.fixed_dictionaries(fields).map(lambda held: kind(**held))
    raise AssertionError(f"the records use {kind}, which this test does not know")


def differences(a: Any, b: Any, at: str = "") -> list[str]:
    """Where two values differ, in type or content, NaN being equal to NaN."""
    if type(a) is not type(b):
        return [f"{at}: {type(a)} against {type(b)}"]
    if isinstance(a, np.ndarray):
        same = a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
        return [] if same else [f"{at}: {a!r} against {b!r}"]
    if isinstance(a, float):
        same = a == b or (math.isnan(a) and math.isnan(b))
        signed = math.isnan(a) or math.copysign(1, a) == math.copysign(1, b)
        return [] if same and signed else [f"{at}: {a} against {b}"]
    if dataclasses.is_dataclass(a):
        names = [f.name for f in dataclasses.fields(a)]
        return [d for n in names for d in differences(getattr(a, n), getattr(b, n), f"{at}.{n}")]
    if isinstance(a, dict):
        if list(a) != list(b) or [type(k) for k in a] != [type(k) for k in b]:
            return [f"{at}: keys {list(a)} against {list(b)}"]
        return [d for k in a for d in differences(a[k], b[k], f"{at}[{k}]")]
    if isinstance(a, tuple):
        if len(a) != len(b):
            return [f"{at}: {len(a)} against {len(b)}"]
        return [d for i, (x, y) in enumerate(zip(a, b, strict=True)) for d in differences(x, y, f"{at}[{i}]")]
    return [] if a == b else [f"{at}: {a!r} against {b!r}"]


@pytest.mark.parametrize("kind", codec.KINDS)
def test_every_kind_comes_back_exactly(kind):
    @settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    @given(values_of(codec.KINDS[kind]))
    def comes_back(event: Any) -> None:
        line = codec.write(event)
        assert "\n" not in line
        assert differences(event, codec.read(line)) == []

    comes_back()


def test_every_member_of_the_union_has_a_kind():
    assert set(codec.KINDS.values()) == set(get_args(ev.Event))
    assert len(codec.KINDS) >= 19


def test_the_line_is_strict_json_that_any_program_reads():
    numbers = {"rms": math.nan, "far": math.inf, "low": -math.inf, "n": 3}
    event = ev.SolveFailed(1.5, "too few", (1, 2), numbers)
    told = json.loads(codec.write(event), parse_constant=lambda c: pytest.fail(f"{c} is not JSON"))
    assert told["v"] == codec.VERSION
    assert told["data"]["numbers"] == {
        "rms": {"number": "nan"}, "far": {"number": "inf"}, "low": {"number": "-inf"}, "n": 3,
    }  # fmt: skip


def test_numpy_numbers_that_slipped_in_are_plain_numbers_when_read():
    numbers = {"a": np.float64(0.1), "b": np.int64(7)}
    event = ev.SolveFailed(np.float64(2.0), "x", (np.int32(4),), numbers)  # type: ignore[arg-type]
    back = codec.read(codec.write(event))
    assert isinstance(back, ev.SolveFailed)
    assert back.numbers == {"a": 0.1, "b": 7}
    assert type(back.numbers["a"]) is float
    assert type(back.from_view_ids[0]) is int


def test_names_that_are_no_text_come_back():
    event = ev.FileRefused(1.0, "left\udcff\n\0.png", None, "…")
    line = codec.write(event)
    assert line.isascii()
    assert codec.read(line) == event


def test_big_endian_arrays_keep_their_values():
    array = np.arange(6, dtype=">f8").reshape(2, 3)
    told = codec.CONVERTER.unstructure(array, np.ndarray)
    assert told["dtype"] == "<f8"
    assert np.array_equal(codec._to_array(told, None), array)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("", "can't be read"),
        ("{}", "can't be read"),
        ('{"v":1,"kind":"Exploded","data":{}}', "no event is called"),
        ('{"v":1,"kind":"Paused","data":{"at_ms":"noon"}}', "Paused"),
        ('{"v":1,"kind":"Paused","data":{}}', "Paused"),
        ('{"v":99,"kind":"Paused","data":{"at_ms":1.0}}', "newer version"),
    ],
)
def test_what_cannot_be_read_is_told_in_words(line, words):
    with pytest.raises(StorageTrouble, match=words):
        codec.read(line)


def test_fields_added_later_take_their_default_and_unknown_ones_are_left_out():
    line = '{"v":1,"kind":"SolveFailed","data":{"at_ms":1.0,"why":"x","from_view_ids":[],"mood":"blue"}}'
    assert codec.read(line) == ev.SolveFailed(1.0, "x", ())


def test_an_upgrade_is_applied_step_by_step(monkeypatch):
    monkeypatch.setattr(codec, "VERSION", 3)
    monkeypatch.setitem(codec.UPGRADES, 1, lambda kind, data: ("Halted", {"at_ms": data["time"]}))
    monkeypatch.setitem(codec.UPGRADES, 2, lambda kind, data: ("Paused", data))
    assert codec.read('{"v":1,"kind":"Stopped","data":{"time":4.0}}') == ev.Paused(4.0)
