"""Guided isolation of a fault: the knowledge that ships, and how it was learnt."""
