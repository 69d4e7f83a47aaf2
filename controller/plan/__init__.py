"""The coming two days: what to expect and what it asks for."""
