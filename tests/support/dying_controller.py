"""A controller that feeds a unit, with its dead-man toggled, until it is killed.

``python dying_controller.py FOLDER``: a line for itself once the feed is made.
"""

import sys

from small_rig import RIG

from drivers import BackendOptions
from drivers.feeds import DeadMan, FeedOutput
from drivers.simulated.apart import backend

if __name__ == "__main__":
    world = backend(RIG, BackendOptions(extra={"world": sys.argv[1]}))
    station = RIG.stations[0]
    feed = FeedOutput(station.battery_feed, world.pin_factory)
    dead_man = DeadMan(RIG.dead_man, world.pin_factory)
    now_s = world.clock.now_s()
    while True:
        dead_man.toggle()
        now_s += 0.01
        world.clock.sleep_until(now_s)
        if dead_man.picked_up and not feed.is_made:
            feed.make()
            print("feeding", flush=True)
