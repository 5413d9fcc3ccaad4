"""From a trace to half-turns, measures, outcomes and a verdict.  Pure: arrays in, dataclasses out."""
