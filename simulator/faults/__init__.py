"""Faults: what can go wrong, and what of it a simulated world can be made to suffer."""
