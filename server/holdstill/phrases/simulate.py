"""Sentences about the simulated rig's controls."""

WORDS: dict[str, str] = {
    "simulate.unknown-control": "The simulated rig has no control called “{name}”. It has: {known}.",
    "simulate.not-a-switch": "“{got}” is neither yes nor no, which “{name}” of the simulated rig wants. Send yes or no.",
    "simulate.not-a-number": "“{got}” is not a number, which “{name}” of the simulated rig wants. Send a number.",
    "simulate.stopped": "The simulated rig is not running. Start the demo again.",
}
