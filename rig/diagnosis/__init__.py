"""Why a unit behaves as it does: what its traces say of motor, stroke, feed, relay and fuse."""
