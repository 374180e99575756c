"""The stats room."""
