"""What belongs to one kind of observation, and to nothing else: a file a kind."""

ADDED: list[str] = []
"""Modules of the kinds that were registered, by which another process learns of them."""
