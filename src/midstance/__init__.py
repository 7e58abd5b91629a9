"""Midstance: films of a runner turned into measurements with error bars, explained."""

__version__ = "0.1.0"
