"""The formula room."""
