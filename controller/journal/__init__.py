"""What happened, kept on disk."""
