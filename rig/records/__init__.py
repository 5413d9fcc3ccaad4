"""The record: units, runs, steps, half-turns, measures and traces, kept for good."""
