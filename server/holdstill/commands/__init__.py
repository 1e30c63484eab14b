"""One file per command: `add(subparsers)` and `run(args) -> exit status`."""
