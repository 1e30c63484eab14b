"""An expected failure, as a value."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Nothing:
    """An outcome that was expected and is not a result: why, and the numbers behind it.

    `why` is a stable key such as ``"too few dots"``; words for people are made from it in
    ``phrases``.  `numbers` holds what was got and wanted, each with its unit in the name
    (``{"found": 11, "needed": 24}``).
    """

    why: str
    numbers: dict[str, float | int | str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return False
