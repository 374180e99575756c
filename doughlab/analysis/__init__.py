"""The analysis room."""
