"""The last word on every output."""
