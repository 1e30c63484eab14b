"""The full study in pieces: each repetition is kept as a file, so that it can be run a few minutes at a time.

From ``tests/``::

    python -m plan.plan_pieces FOLDER --seconds 300     # again and again, until nothing is left
    python -m plan.plan_pieces FOLDER --tables          # the docs' tables and curves, and the bars missed

All pieces must come from one state of the code: the folder remembers which, and refuses another.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from pathlib import Path

from holdstill import plan
from plan.plan_curves import curves_svg, tables_markdown
from plan.plan_study import BENCHES
from plan.plan_tables import PEOPLE, misses, study, summary

REPETITIONS, FIRST_SEED = 20, 8000
DOCS = Path(__file__).parents[2] / "server" / "holdstill" / "docs"


def state_of_code() -> str:
    """Digest of the sources of planner, solve and geometry, and of their limits."""
    root, digest = Path(plan.__file__).parents[1], hashlib.sha256()
    sources = [p for room in ("plan", "solve", "geometry") for p in sorted((root / room).glob("*.py"))]
    for path in (*sources, root / "limits" / "plan.py", root / "limits" / "solve.py"):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def work_off(folder: Path, seconds: float, repetitions: int = REPETITIONS) -> int:
    """Repetitions done within so many seconds, the last one finished; returns how many are left."""
    folder.mkdir(parents=True, exist_ok=True)
    mark = folder / "code"
    if mark.exists() and mark.read_text() != state_of_code():
        raise SystemExit(f"{folder} holds pieces of another state of the code")
    mark.write_text(state_of_code())
    began, left = time.monotonic(), 0
    for repetition in range(repetitions):
        for who in PEOPLE:
            for name in BENCHES:
                piece = folder / f"{name}, {who}, {repetition}.json"
                if piece.exists():
                    continue
                if time.monotonic() - began > seconds:
                    left += 1
                    continue
                row = study(name, who, 1, FIRST_SEED + repetition)
                fresh = piece.with_suffix(".part")
                fresh.write_text(json.dumps(row))
                fresh.rename(piece)
    return left


def gathered(folder: Path) -> list[dict[str, object]]:
    """The study's rows, their repetitions put together, in the docs' order."""
    rows = []
    for who in PEOPLE:
        for name in BENCHES:
            pieces = [json.loads(p.read_text()) for p in sorted(folder.glob(f"{name}, {who}, *.json"))]
            if not pieces:
                continue
            row = dict(pieces[0], repetitions=len(pieces))
            for key, values in pieces[0].items():
                if isinstance(values, list):
                    row[key] = [one for piece in pieces for one in piece[key]]
            rows.append(row)
    return rows


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("folder", type=Path)
    asked.add_argument("--seconds", type=float, default=300.0)
    asked.add_argument("--tables", action="store_true")
    asked.add_argument("--curves", action="store_true", help="rewrite the docs' figure too")
    told = asked.parse_args()
    if not told.tables:
        print(f"{work_off(told.folder, told.seconds)} left")
        return
    rows = gathered(told.folder)
    print([(r["rig"], r["person"], r["repetitions"]) for r in rows])
    print(tables_markdown(rows, {}))
    print("\n".join(sorted(set().union(*(misses(summary(row)) for row in rows)))))
    if told.curves:
        (DOCS / "coach-curves.svg").write_text(curves_svg(rows), encoding="utf-8")


if __name__ == "__main__":
    main()
