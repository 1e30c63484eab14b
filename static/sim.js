// Playing with the simulated rig.
export function playWithRig() {}
