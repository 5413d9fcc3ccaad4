"""From a trace to half-turns, measures and a verdict.  Pure: arrays in, dataclasses out."""
