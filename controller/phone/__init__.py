"""The page for phones: its own process; hears the bus, reads the journal, and control never needs it."""
