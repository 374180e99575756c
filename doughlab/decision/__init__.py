"""The decision room."""
