"""Alarms to people: what is raised, who is told, and how it gets there."""
