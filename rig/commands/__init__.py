"""The commands of `halfturn`, one module each; imported only when used."""
