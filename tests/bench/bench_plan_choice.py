"""CPU time of choosing, against a peer in the same run: 300 inversions of the same size."""

import time

import numpy as np
import pytest

from holdstill import plan
from holdstill.plan import poses, scene
from holdstill.plan.scene import gains, scene_of
from plan.plan_benches import CAMERAS, RIGS


def cpu_ms(work, rounds=15):
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append(1000.0 * (time.process_time() - start))
    return float(np.median(took))


@pytest.mark.bench
def test_three_hundred_candidates_are_scored_within_50_ms():
    rig, plate = RIGS["small plate"]
    bench = scene_of(plate, rig, None, CAMERAS)
    options = poses.wishes(bench)
    pick = np.arange(300) % len(options.instructions)
    turns, places = options.rotations_bench[pick], options.middles_bench_mm[pick]
    kept = [bench.rig_pose(turns[n], places[n]) for n in range(0, 240, 20)]
    known = bench.known(kept)

    def score():
        return gains(bench, known, bench.information(*bench.rig_poses(turns, places)))

    peer = cpu_ms(lambda: [np.linalg.inv(known) for _ in range(300)])
    scored = cpu_ms(score)

    def cold():
        scene._remembered.cache_clear()
        poses.wishes.cache_clear()
        poses.middle_depth_mm.cache_clear()
        return plan.choose(plate, rig, None, kept, live_pose=kept[-1], number=1, cameras=CAMERAS)

    def live():
        return plan.worth(plate, rig, None, kept, kept[3], cameras=CAMERAS)

    whole, one = cpu_ms(cold), cpu_ms(live)
    print(
        f"\n300 scored {scored:.1f} ms, a cold choice {whole:.1f} ms ({len(options.instructions)} wishes), "
        f"a live pose {one:.2f} ms, 300 inversions {peer:.1f} ms: "
        f"ratios {scored / peer:.1f}, {whole / peer:.1f}"
    )
    assert scored < 50.0
