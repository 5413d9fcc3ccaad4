"""Studies of the rig itself, made of recorded runs: gauge studies and golden units."""
