"""A house, its weather, probes and boards, for rehearsals and tests."""
