"""Running a plan on a station: the control loop, its guard, the steps, and its own process."""
