"""What the grower is shown of the core's results, drawn into files."""
