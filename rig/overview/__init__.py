"""Suppliers, benches, months and unit types beside each other, from any records."""
