"""Statistics of measuring and of accepting: pure, arrays in, dataclasses out."""
