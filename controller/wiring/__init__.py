"""The installer's wiring test: each wire proved, the site left at rest, a sheet left behind."""
