"""Our own board: a process for a relay HAT and 1-wire probes on a small computer."""
