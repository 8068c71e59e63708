"""Whose is this reading? The rules that put fish together on one bench. Pure."""
