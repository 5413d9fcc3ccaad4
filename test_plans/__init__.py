"""The plans that ship with halfturn: TOML files, one plan each."""
