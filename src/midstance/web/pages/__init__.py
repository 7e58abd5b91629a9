"""The pages: each module has a ``router``."""
