"""The simulated bench: a world of units and a rig under the pins, the buses and the port."""
