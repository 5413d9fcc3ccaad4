"""halfturn: bench tester for self-parking half-turn actuators."""

__version__ = "0.1.0"
