"""Learning from records: logbooks, fits, predictions of them, and what is told about them."""
