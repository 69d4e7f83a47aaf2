"""Rimeward: sees frost coming and keeps tender citrus just warm enough."""

__version__ = "0.1.0"
