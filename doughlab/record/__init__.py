"""The record room."""
