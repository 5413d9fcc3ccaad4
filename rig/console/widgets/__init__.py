"""The console's widgets, one a file."""
