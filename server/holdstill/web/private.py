"""Whether a file is closed to the other users of a machine."""

from __future__ import annotations

import os
from pathlib import Path


def is_private(path: Path) -> bool:
    """True when only its owner can read or change it (on Windows, where modes don't tell: always).

    Raises OSError when there is no such file.
    """
    return not path.stat().st_mode & 0o077 or os.name == "nt"
