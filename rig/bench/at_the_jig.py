"""What is done by hand at the jig: how it is called, and what to mind; common practice."""

# What puts the jig back as it was before the step.
PUTS_BACK = frozenset(
    {
        "remove_load",
        "free_lever",
        "fit_own_relay",
        "hook_up_cable",
        "restore_wiring",
        "put_together",
    }
)
AT_THE_JIG: dict[str, tuple[str, str]] = {
    "hang_load": (
        "Hang the load",
        "Hang the weight where it cannot fall on a foot, then stand clear: the lever lifts it and "
        "lets it down without warning.",
    ),
    "remove_load": ("Take the load off", "Hold the weight before you unhook it; it is heavy."),
    "lock_lever": (
        "Lock the lever",
        "With the jig's pin, never by hand: at a standstill the gear gives its full torque, enough "
        "to crush a finger. The winding gets hot within a second.",
    ),
    "free_lever": (
        "Free the lever",
        "The winding and the housing may be hot, and the lever may spring back: pull the pin by "
        "its handle, with the other hand away.",
    ),
    "fit_known_good_relay": (
        "Fit the known good relay",
        "Relay and base may be hot. Mind which way round it goes in, and keep clear of the lever.",
    ),
    "fit_own_relay": (
        "Put the unit's own relay back",
        "Relay and base may be hot. Keep clear of the lever.",
    ),
    "unhook_cable": (
        "Unhook the cable",
        "A spring may pull on the cable: hold it before you unhook it. Nothing may be within the "
        "lever's reach: it may go all the way round.",
    ),
    "hook_up_cable": ("Hook the cable up", "Keep fingers from between cable and lever."),
    "feed_motor_directly": (
        "Feed the motor directly",
        "Plus to plus: the other way round it turns backwards. The lever goes round with force "
        "and does not park; it is fed shortly, and stops where it is.",
    ),
    "restore_wiring": (
        "Put the wiring back",
        "The motor may be hot. Each lead where it was: the unit is fed next, to bring it to stop.",
    ),
    "put_together": (
        "Put it together again",
        "Fingers out of cam and gear before the cover goes on; the relay the right way round.",
    ),
    "connect_meter": (
        "Clip a meter on",
        "Clips that cannot touch anything else: a battery gives hundreds of amperes into a short. "
        "Your hands are away before the feed is made.",
    ),
    "remove_everything": (
        "Take the unit off",
        "The lever may spring back and the housing may be hot. No unit, lead or tool stays at the "
        "feeds.",
    ),
    "connect_load": (
        "Connect the reference",
        "Clamps that cannot touch anything else: a battery gives hundreds of amperes into a "
        "short. A resistor under power gets hot enough to burn: stand it on something that does "
        "not burn, and let it cool before you touch it.",
    ),
    "watch_meter": (
        "Watch the meter",
        "Hands away from clamps and resistor before the feed is made; it goes off by itself.",
    ),
    "read_meter": ("What did the meter show?", ""),
    "accept_calibration": ("Accept the calibration?", ""),
    "fit_fuse": (
        "Look at the fuse",
        "Pull the supply first. A fuse of the same rating, never a larger one: it protects leads "
        "and rig.",
    ),
    "press_emergency_stop": ("Press the emergency stop", ""),
    "release_emergency_stop": (
        "Release the emergency stop",
        "Look first that nobody has a hand at the jig.",
    ),
    "jig_empty": (
        "Take every unit off",
        "The feed relays are made one after the other: no unit, lead or tool may be at the feeds.",
    ),
    "press_at_run": ("Press the switch at run", "The feeds stay off; the lever does not move."),
    "press_at_stop": ("Press the switch at stop", "The feeds stay off; the lever does not move."),
}
"""For each thing to do at the jig its title, and what to mind in doing it (may be empty)."""
