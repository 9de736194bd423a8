"""The version of the toolkit, where the lowest layer can read it."""

__version__ = "0.1.0"
