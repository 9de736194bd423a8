"""Reviewing a session: look at sweeps, decide, and see at once what a decision does to the answer."""

from .desk import Desk
from .worklist import Filters

__all__ = ["Desk", "Filters"]
