"""Checks are told alike everywhere: a name, a value with its unit, what to do."""

import pytest

from holdstill.phrases.checks import check_name, check_remedy, check_value
from holdstill.records import Check


def told(name: str, value: float | str | None, *, ok: bool = True) -> tuple[str, str, str]:
    check = Check(name, ok, value, "at most so much", "chosen: x", "" if ok else f"remedy.{name}", False)
    return check_name(check), check_value(check), check_remedy(check)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("principal point", 0.93, "0.93 %"),
        ("stereo angle", 20.28, "20.28 degrees"),
        ("baseline", 191.01, "191.01 mm"),
        ("noise", 1.95, "1.95 times"),
        ("set aside", "0 %", "0 %"),
        ("distortion", "folds inside the picture", "folds inside the picture"),
        ("odd views", None, "-"),
    ],
)
def test_a_value_carries_its_unit(name: str, value: float | str | None, words: str) -> None:
    assert told(name, value)[1] == words


def test_a_check_that_fails_says_what_to_do_and_one_that_holds_does_not() -> None:
    assert told("baseline", 180.0, ok=False)[0] == "baseline"
    assert len(told("baseline", 180.0, ok=False)[2]) > 20
    assert told("baseline", 191.0)[2] == ""


def test_a_check_without_words_is_still_told() -> None:
    assert told("something new", 3.0) == ("something new", "3", "")
