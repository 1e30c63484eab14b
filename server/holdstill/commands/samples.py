"""``holdstill samples``: draws the sample frames afresh, byte for byte."""

from __future__ import annotations

import argparse
import json
import platform
from importlib.metadata import version
from pathlib import Path

from holdstill.errors import StorageTrouble

SEED = 20261125
"""Of the noise in the frames that are kept with the project."""

ORIGIN = """# Where these frames come from

Drawn by Holdstill's own simulator (`server/holdstill/simulate/`, exact path); no camera, no person, no
outside data. A workshop that builds bicycle frames gets a stereo rig ready to test a carbon fork in
bending.

    holdstill samples sample_frames          # redraws this folder
    holdstill samples OTHER --seed {seed}    # the same frames elsewhere

Seed {seed}; Python {python}, numpy {numpy}, opencv-python-headless {opencv}, {machine}. Other versions may
change the noise or the compression by a little; the geometry stays.

The rig (`rig.toml` in each folder): two cameras of 640 x 512 pixels of 9.6 um, 16 mm at f/8, stand-off
550 mm, stereo angle 20 degrees. The plate: `{spec}`. 8-bit grey PNG.

`truth.json` holds the true lenses, camera poses (rig frame: the left camera's; mm) and plate poses.

## good/

{good} stereo shots: leaned by 20-30 degrees every way, pushed to the borders and corners, nearer and
farther, lying and upright.

## trouble/

| shot | what is wrong |
|---|---|
{trouble}
"""


HELP = "draw the sample frames afresh"
DESCRIPTION = (
    "Draws stereo shots of a simulated rig, good ones and one of each trouble, with the "
    "true calibration beside them."
)


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("folder", type=Path, metavar="DIR", help="made if it does not exist")
    p.add_argument("--seed", type=int, default=SEED, help=f"of the noise (default {SEED})")


def run(args: argparse.Namespace) -> int:
    """Draw the frames and write them."""
    from holdstill.simulate.samples import frames, png

    written = 0
    try:
        args.folder.mkdir(parents=True, exist_ok=True)
        _write_beside(args.folder, args.seed)
        for frame in frames(args.seed):
            data = png(frame.picture, cut=frame.shot.spoil.cut and frame.camera == "left")
            (args.folder / frame.shot.folder / frame.file_name).write_bytes(data)
            written += len(data)
    except OSError as error:
        raise StorageTrouble(
            f"{args.folder} could not be written: {error.strerror or error}. Name a folder you may write to, "
            "with 10 MB free."
        ) from error
    print(f"{args.folder}: sample frames drawn, {written / 1e6:.1f} MB")
    return 0


def _write_beside(folder: Path, seed: int) -> None:
    """The rig files, the truth and the page that tells the origin."""
    from holdstill import target
    from holdstill.intake.rig_file import rig_text
    from holdstill.simulate import body
    from holdstill.simulate.samples import (
        GOOD,
        TROUBLE,
        good_shots,
        sample_plate,
        sample_rig,
        trouble_shots,
        truth,
    )

    rig, plate = sample_rig(), sample_plate()
    thing, spec = body(plate), target.words(plate)
    described = rig.described(None, (120.0, 100.0, 60.0))
    for name in (GOOD, TROUBLE):
        (folder / name).mkdir(exist_ok=True)
        (folder / name / "rig.toml").write_text(rig_text(described, spec), encoding="utf-8")
    told = json.dumps(truth(rig, thing), indent=1)
    (folder / "truth.json").write_text(told + "\n", encoding="utf-8")
    lines = [f"| {s.number:03d} | {s.spoil.kind or 'nothing'} |" for s in trouble_shots(rig, thing)]
    page = ORIGIN.format(
        seed=seed,
        python=platform.python_version(),
        numpy=version("numpy"),
        opencv=version("opencv-python-headless"),
        machine=f"{platform.system()} {platform.machine()}",
        spec=spec,
        good=len(good_shots(rig, thing)),
        trouble="\n".join(lines),
    )
    (folder / "ORIGIN.md").write_text(page, encoding="utf-8")
