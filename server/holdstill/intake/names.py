"""What a file name says: which camera, which shot. Pure; names are relative, with ``/`` between folders.

A name is cut into tokens (runs of letters, runs of digits, single other characters).  Among names
of one shape, one token is the camera and the others tell the shot.  `work_out` finds which, by how
well the frames then fall into complete shots, by words of the trade (left, cam...) and by how close
in time the frames of one shot were written.
"""

from __future__ import annotations

import re
import zlib
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Protocol

from holdstill.limits import limit

from .refusals import bad_input

Key = tuple[tuple[int, int, str], ...]
"""What the frames of one shot share: tokens other than the camera, in natural order."""

LEFT = {"l", "left", "links", "gauche", "sinistra", "izquierda", "izq"}
RIGHT = {"r", "right", "rechts", "droite", "droit", "destra", "derecha", "der"}
_CAMERA_WORDS = {"c", "cam", "camera", "kamera", "sensor", "dev", "device", "ch", "channel", "view", "eye"}
_MOST_CAMERAS = 16
_MOST_NAMES = 1500
"""Names that are looked at to work out a pattern: enough for a hundred shots of sixteen cameras."""

_TOKEN = re.compile(r"\d+|[^\W\d_]+|[\W_]")
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])")


@dataclass(frozen=True, slots=True)
class Reading:
    """What one name says. `label` is the shot as shown to people; `key` what its frames share."""

    camera: str
    key: Key
    label: str


def stem_of(name: str) -> str:
    """The name without its suffix."""
    return name[: name.rindex(".")] if "." in name.rsplit("/", 1)[-1] else name


def tokens_of(name: str) -> list[str]:
    """The stem's tokens; runs of letters are cut where a capital follows a small letter.

    >>> tokens_of("run/BoardStereoL12.png")
    ['run', '/', 'Board', 'Stereo', 'L', '12']
    """
    stem = stem_of(name)
    return [part for token in _TOKEN.findall(stem) for part in _HUMP.split(token)]


def shape_of(tokens: Sequence[str]) -> str:
    """Kinds of the tokens: ``0`` digits, ``a`` letters, other characters as they are."""
    return "".join("0" if t[0].isdigit() else "a" if t[0].isalpha() else t for t in tokens)


def natural(text: str) -> Key:
    """A sort key that puts 2 before 10.

    >>> sorted(["cam10", "cam2"], key=natural)
    ['cam2', 'cam10']
    """
    return tuple((0, int(t), t) if t.isdecimal() else (1, 0, t.casefold()) for t in _TOKEN.findall(text))


def camera_order(camera: str) -> tuple[int, Key]:
    """Sort key of cameras: left, right, then natural order of the names."""
    words = {t.casefold() for t in tokens_of(camera)}
    return (0 if words & LEFT else 1 if words & RIGHT else 2, natural(camera))


class NamePattern(Protocol):
    """How names are built.

    template
        The pattern as shown to people, in the form that ``--pattern`` takes.
    cameras
        Cameras seen so far, in order; ``("camera",)`` when names carry none.
    by_time
        True when the frames of one shot share nothing in their names: paired by time.
    overwritten
        True when names carry no number, so that each shot overwrites the one before.
    sure
        True when more files can't change the pattern's mind.
    example
        A name that fits.
    """

    @property
    def template(self) -> str:
        """The pattern in the form that ``--pattern`` takes."""
        ...

    @property
    def cameras(self) -> tuple[str, ...]:
        """Cameras seen so far, in order."""
        ...

    @property
    def by_time(self) -> bool:
        """True when frames are paired by time."""
        ...

    @property
    def overwritten(self) -> bool:
        """True when names carry no number: each shot overwrites the one before."""
        ...

    @property
    def sure(self) -> bool:
        """True when more files can't change it."""
        ...

    @property
    def example(self) -> str:
        """A name that fits."""
        ...

    def read(self, name: str) -> Reading | None:
        """What `name` says; None when it does not fit."""
        ...


@dataclass(frozen=True, slots=True)
class TokenPattern:
    """A pattern worked out: token `at` is the camera (its name begins at token `word`), tokens
    `also` go along with it, tokens `keys` (all others when None) tell the shot."""

    template: str
    cameras: tuple[str, ...]
    by_time: bool
    sure: bool
    example: str
    shape: str
    at: int | None
    word: int | None
    also: tuple[int, ...]
    keys: tuple[int, ...] | None
    words: tuple[tuple[int, str], ...] = ()
    """Tokens that must be just so: with one camera, another word means another camera."""

    @property
    def overwritten(self) -> bool:
        """True when nothing but the camera's name holds a number."""
        first = self.at if self.word is None else self.word
        out = set() if first is None or self.at is None else {*range(first, self.at + 1), *self.also}
        return not any(t.isdecimal() for i, t in enumerate(tokens_of(self.example)) if i not in out)

    def read(self, name: str) -> Reading | None:
        """What `name` says; None when its shape is another."""
        tokens = tokens_of(name)
        if shape_of(tokens) != self.shape or any(tokens[i] != word for i, word in self.words):
            return None
        if self.at is None:
            return Reading("camera", natural(stem_of(name)), _label(tokens))
        first = self.at if self.word is None else self.word
        camera = "".join(t for t in tokens[first : self.at + 1] if t[0].isalnum())
        out = {*range(first, self.at + 1), *self.also}
        keep = [i for i in range(len(tokens)) if i not in out] if self.keys is None else self.keys
        key = natural("\0".join(tokens[i] for i in keep))
        told = (
            [tokens[i] for i in self.keys]
            if self.keys
            else ["" if i in out else t for i, t in enumerate(tokens)]
        )
        label = _label(told)
        return Reading(f"cam{camera}" if camera.isdecimal() else camera, key, label)


@dataclass(frozen=True, slots=True)
class GivenPattern:
    """A pattern that the user wrote, as a regular expression over the name without its suffix."""

    template: str
    cameras: tuple[str, ...]
    by_time: bool
    example: str
    expression: re.Pattern[str]
    sure: bool = True

    @property
    def overwritten(self) -> bool:
        """True when the pattern has no field for the shot and nothing else that may change."""
        return not re.search(r"\{shot\}|\{any\}|\*", self.template)

    def read(self, name: str) -> Reading | None:
        """What `name` says; None when it does not fit."""
        stem = stem_of(name)
        found = self.expression.fullmatch(stem) or self.expression.fullmatch(stem.rsplit("/", 1)[-1])
        if found is None:
            return None
        groups = found.groupdict()
        shot = groups.get("shot")
        return Reading(groups.get("camera", "camera"), natural(shot or ""), shot or _label([stem]))


def _label(tokens: Sequence[str]) -> str:
    """Tokens joined, doubled separators made single and outer ones left out.

    >>> _label(["fork", "_", "", "_", "001"])
    'fork_001'
    """
    joined = re.sub(r"([\W_])[\W_]+", r"\1", "".join(tokens))
    return joined.strip("_-. /\\") or "shot"


def given_pattern(text: str, names: Sequence[str], where: str) -> NamePattern:
    """The pattern that a user wrote, such as ``"{camera}_{shot}.png"``, checked against `names`.

    Fields: ``{camera}``, ``{shot}`` (each at most once) and ``{any}``; ``*`` stands for anything.
    Raises BadInput for a pattern that can't be read or fits no name.
    """
    fields = re.findall(r"\{(.*?)\}", text)
    for field in fields:
        if field not in ("camera", "shot", "any"):
            raise bad_input("pattern-fields", pattern=text, field="{" + field + "}")
    for field in ("camera", "shot"):
        if fields.count(field) > 1:
            raise bad_input("pattern-twice", pattern=text, field="{" + field + "}")
    stem = re.sub(r"\.[A-Za-z]{2,4}$", "", text)
    if "{" in re.sub(r"\{.*?\}", "", text) or "}" in re.sub(r"\{.*?\}", "", text):
        raise bad_input("pattern-braces", pattern=text)
    pieces = re.split(r"(\{camera\}|\{shot\}|\{any\}|\*)", stem)
    for shot in (r"\d+", r"[^/]+?"):
        put = {
            "{camera}": r"(?P<camera>[^/]+?)",
            "{shot}": f"(?P<shot>{shot})",
            "{any}": "[^/]*?",
            "*": "[^/]*?",
        }
        expression = re.compile("".join(put.get(p) or re.escape(p) for p in pieces), re.IGNORECASE)
        empty = GivenPattern(text, (), False, text, expression)
        read = {name: reading for name in names if (reading := empty.read(name)) is not None}
        if read or not names:
            cameras = tuple(sorted({r.camera for r in read.values()}, key=camera_order))
            by_time = "shot" not in fields and ("any" in fields or "*" in stem)
            return GivenPattern(text, cameras, by_time, next(iter(read), text), expression)
    raise bad_input("pattern-none", pattern=text, count=len(names), example=names[0])


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One way to read the names: token `at` is the camera, `also` go along, `keys` tell the shot."""

    at: int
    also: tuple[int, ...]
    keys: tuple[int, ...] | None
    cameras: int
    shots: int
    share: float
    hint: float
    score: float


def work_out(names: Sequence[str], times_s: Mapping[str, float] | None = None) -> NamePattern | None:
    """The pattern behind `names`, or None when they fit none.

    `times_s`: when each file was last written (s); frames of one shot are written together.
    Names of another shape than most are left out; they will not fit the pattern.
    """
    by_shape: dict[str, list[str]] = defaultdict(list)
    for name in _some(names):
        by_shape[shape_of(tokens_of(name))].append(name)
    if not by_shape:
        return None
    shape = max(by_shape, key=lambda s: len(by_shape[s]))
    alike = sorted(by_shape[shape], key=natural)
    rows = [tokens_of(name) for name in alike]
    times = [times_s[name] for name in alike] if times_s is not None else None
    candidates = [c for at in range(len(rows[0])) for c in _as_camera(rows, at, times)]
    best = max(candidates, key=lambda c: c.score, default=None)
    return _pattern(rows, alike, best if best is not None and best.score >= 1.0 else None)


def _some(names: Sequence[str]) -> Sequence[str]:
    """At most `_MOST_NAMES` of them, files of one shot together: thousands of one camera's files may
    stand before the first of the next."""
    if len(names) <= _MOST_NAMES:
        return names
    numbers = [" ".join(re.findall(r"\d{3,}", name)).encode() for name in names]
    chosen = sorted(range(len(names)), key=lambda n: (zlib.crc32(numbers[n]), n))[:_MOST_NAMES]
    return [names[n] for n in sorted(chosen)]


def _values(rows: list[list[str]], at: int) -> list[str]:
    return list(dict.fromkeys(row[at] for row in rows))


def _hint(rows: list[list[str]], at: int) -> float:
    """How much token `at` looks like a camera by its words: 1 surely, 0 not at all."""
    values = {v.casefold() for v in _values(rows, at)}
    if values <= LEFT | RIGHT and values & LEFT and values & RIGHT:
        return 1.0
    if values & (LEFT | RIGHT) and all(v.isalpha() for v in values):
        return 0.9
    if all(v.isdecimal() and len(v) <= 2 for v in values) and _word_before(rows, at) is not None:
        return 0.9
    if all(v.isalpha() and len(v) == 1 for v in values):
        return 0.6
    return 0.3 if all(v.isalpha() for v in values) else 0.0


def _word_before(rows: list[list[str]], at: int) -> int | None:
    """Where a constant word such as ``cam`` stands right before token `at` (or before one separator)."""
    for back in (1, 2):
        if at - back >= 0:
            before = {row[at - back].casefold() for row in rows}
            if len(before) == 1 and before <= _CAMERA_WORDS:
                return at - back
            if before & {"/"} or any(b.isalnum() for b in before):
                return None
    return None


def _as_camera(rows: list[list[str]], at: int, times: list[float] | None) -> list[_Candidate]:
    """The ways to read the names with token `at` as the camera."""
    values = _values(rows, at)
    if not 2 <= len(values) <= _MOST_CAMERAS or not values[0][0].isalnum():
        return []
    digits = values[0].isdecimal()
    hint = _hint(rows, at)
    others = [i for i in range(len(rows[0])) if i != at and len(_values(rows, i)) > 1]
    counts = Counter(row[at] for row in rows)
    also = tuple(
        i for i in others if _follows(rows, at, i) and (min(counts.values()) > 1 or rows[0][i].isalpha())
    )
    others = [i for i in others if i not in also]
    singles = [(i,) for i in others if rows[0][i].isdecimal()] if len(others) > 1 else []
    found = []
    for keys in [tuple(others), *singles]:
        shots, share = _shots(rows, at, keys, len(values))
        if digits and hint == 0.0 and shots < 2 and not _together(times, rows, at, keys):
            continue
        # where all else is equal the camera comes last: "1_2" is shot 1, camera 2
        score = 1.5 * share + hint + (0.2 if keys == tuple(others) else 0.0) + 0.01 * at / len(rows[0])
        score -= 0.05 * (len(values) - 2) + (0.4 if digits and len(values[0]) > 2 else 0.0)
        score += _time_score(times, rows, at, keys, hint)
        found.append(
            _Candidate(
                at, also, None if keys == tuple(others) else keys, len(values), shots, share, hint, score
            )
        )
    return found


def _follows(rows: list[list[str]], at: int, other: int) -> bool:
    """True when token `other` is settled by token `at`: a second word for the same camera."""
    pairs = {(row[at], row[other]) for row in rows}
    return len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})


def _groups(rows: list[list[str]], at: int, keys: tuple[int, ...]) -> dict[tuple[str, ...], list[int]]:
    groups: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for number, row in enumerate(rows):
        groups[tuple(row[i] for i in keys)].append(number)
    return groups


def _shots(rows: list[list[str]], at: int, keys: tuple[int, ...], cameras: int) -> tuple[int, float]:
    """Number of complete shots, and the share of all frames that they hold."""
    complete = sum(
        len(group) == cameras == len({rows[n][at] for n in group})
        for group in _groups(rows, at, keys).values()
    )
    return complete, complete * cameras / len(rows)


def _together(times: list[float] | None, rows: list[list[str]], at: int, keys: tuple[int, ...]) -> bool:
    """True when the frames of each shot were written within the pairing window."""
    if times is None:
        return False
    spans = [max(times[n] for n in g) - min(times[n] for n in g) for g in _groups(rows, at, keys).values()]
    return max(spans) <= limit("intake_pair_window_s")


def _time_score(
    times: list[float] | None, rows: list[list[str]], at: int, keys: tuple[int, ...], hint: float
) -> float:
    """+0.4 when the frames of a shot were written together and shots apart, -0.8 when not, else 0."""
    if times is None:
        return 0.0
    groups = [sorted(times[n] for n in g) for g in _groups(rows, at, keys).values() if len(g) > 1]
    if len(groups) < 2:
        return 0.0
    groups.sort()
    inside = median(g[-1] - g[0] for g in groups)
    between = median(b[0] - a[0] for a, b in pairwise(groups))
    if between <= 0.02 and inside <= 0.02:
        return 0.0  # copied in one go: the times tell nothing
    if inside < 0.5 * between:
        return 0.4
    return 0.0 if hint >= 0.9 else -0.8  # a copy keeps names, not times


def _pattern(rows: list[list[str]], names: list[str], best: _Candidate | None) -> TokenPattern:
    """The pattern of a reading (None: one camera)."""
    shape, example = shape_of(rows[0]), names[0]
    suffix = example[len(stem_of(example)) :]
    varies = [len(_values(rows, i)) > 1 or rows[0][i].isdecimal() for i in range(len(rows[0]))]
    if best is None:
        shown = ["{shot}" if v else t for v, t in zip(varies, rows[0], strict=True)]
        same = tuple((i, t) for i, t in enumerate(rows[0]) if t[0].isalpha() and not varies[i])
        named = any(t.casefold() in LEFT | RIGHT | _CAMERA_WORDS for _, t in same)
        counters = sum(t.isdecimal() for t in rows[0])
        sure = len(rows) >= (3 if counters == 1 else 8) and not named
        return TokenPattern(
            _template(shown, suffix), ("camera",), False, sure, example, shape, None, None, (), None, same
        )
    word = _word_before(rows, best.at) if rows[0][best.at].isdecimal() else None
    first = best.at if word is None else word
    shown = [
        "" if first <= i < best.at else "{camera}" if i == best.at else "*" if i in best.also
        else "{shot}" if varies[i] and (best.keys is None or i in best.keys) else "*" if varies[i] else t
        for i, t in enumerate(rows[0])
    ]  # fmt: skip
    by_time = best.share < 0.2 and best.hint >= 0.9 and len(rows) >= 6
    sure = best.hint >= 1.0 or (best.shots >= 2 and best.share >= 0.5)
    empty = TokenPattern(
        _template(shown, suffix), (), by_time, sure, example, shape, best.at, word, best.also, best.keys
    )
    cameras = {reading.camera for name in names if (reading := empty.read(name)) is not None}
    return replace(empty, cameras=tuple(sorted(cameras, key=camera_order)))


def _template(shown: list[str], suffix: str) -> str:
    """The pattern as ``--pattern`` takes it: neighbouring parts of the shot made one, earlier ones ``*``."""
    joined = re.sub(r"\{shot\}[^{}/]*(?=\{shot\})", "", "".join(shown))
    before, field, after = joined.rpartition("{shot}")
    return re.sub(r"\{shot\}", "*", before) + field + after + suffix
