"""Lots judged by a sample: opened, watched and closed by ISO 2859-1, in words and numbers."""
