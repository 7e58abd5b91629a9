"""Slow work outside the server: films prepared, read and assessed by worker processes."""
