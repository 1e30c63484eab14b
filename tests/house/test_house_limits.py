"""Every limit is used, every limit used exists, and every sentence asked for has words."""

import re
from pathlib import Path

from holdstill.limits import TABLE
from holdstill.phrases import CATALOGUE

PACKAGE = Path(__file__).parents[2] / "server" / "holdstill"
SOURCES = {
    path: path.read_text("utf-8")
    for path in PACKAGE.rglob("*.py")
    if path.relative_to(PACKAGE).parts[0] not in ("limits", "phrases")
}
USED = {name for text in SOURCES.values() for name in re.findall(r"\blimit\(\s*\"([a-z0-9_ ]+)\"", text)}


def test_limits_used_are_in_the_table() -> None:
    assert USED - set(TABLE) == set()


def test_limits_in_the_table_are_used() -> None:
    words = " ".join(SOURCES.values())
    assert [name for name in TABLE if f'"{name}"' not in words] == []


def test_limits_say_what_they_are() -> None:
    for row in TABLE.values():
        assert row.unit, row.name
        assert row.meaning, row.name
        assert len(row.source) >= 4, row.name


def test_sentences_asked_for_have_words() -> None:
    asked = {key for text in SOURCES.values() for key in re.findall(r"\bSay\(\s*\"([a-z][^\"{}]*)\"", text)}
    assert len(asked) > 20
    assert {key for key in asked if not key.endswith(".")} - set(CATALOGUE) == set()
