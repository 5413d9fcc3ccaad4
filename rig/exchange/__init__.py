"""Many runs out of the records for other programs, and in from another bench."""
