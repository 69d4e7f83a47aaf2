"""Campaigns: many nights with many faults, played in parallel, and what was lost in them."""
