"""The bus between controller, boards and pages."""
