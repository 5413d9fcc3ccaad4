"""A rig of one station, as the drivers are told of it."""

from drivers import (
    DeadManWiring,
    FeedWiring,
    InputWiring,
    RigWiring,
    SensorWiring,
    StationWiring,
)

RIG = RigWiring(
    stations=(
        StationWiring(
            "one",
            FeedWiring(17),
            FeedWiring(27),
            SensorWiring(1, 0x40, 0.005, 25.0),
            SensorWiring(1, 0x41, 0.1, 1.0),
            at_run=InputWiring(5),
            at_stop=InputWiring(6, normally_closed=True),
        ),
    ),
    dead_man=DeadManWiring(22, sense_pin=23),
    emergency_stop=InputWiring(24, normally_closed=True),
)
