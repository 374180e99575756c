"""The water room."""
