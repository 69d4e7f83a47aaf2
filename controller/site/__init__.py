"""What stands on the ground: the site file, and handbook numbers for its materials."""
