"""Feed relays and the dead-man output, on gpiozero output devices.

A feed is off from the first moment its pin is driven: the level is given at construction, and the
pin class must drive it at once (gpiozero's own lgpio pin drives low first, which makes an
active-low relay for about a millisecond; ours does not).  Every command is read back.
"""

from __future__ import annotations

from typing import Any

from gpiozero import InputDevice, OutputDevice

from . import DeadManWiring, FeedError, OutputWiring


class FeedOutput:
    """One relay output, released at construction.

    Raises FeedError if the pin cannot be had or does not read back released.
    """

    def __init__(self, wiring: OutputWiring, pin_factory: Any, name: str = "feed") -> None:
        self.name = name
        self._wiring = wiring
        self._device: Any = None
        self._pin: Any = None
        self._on = wiring.active_high
        try:
            self._device = OutputDevice(
                wiring.pin,
                active_high=wiring.active_high,
                initial_value=False,
                pin_factory=pin_factory,
            )
        except Exception as error:
            raise FeedError(
                f"The output for the {name} on GPIO {wiring.pin} cannot be had: {error}. "
                "See that no other program uses the pin and that the rig file names the right one."
            ) from error
        # The device's own pin: its setter is what OutputDevice.on() ends in, without the detours.
        self._pin = self._device.pin
        try:
            self._check(False)
        except FeedError:
            self._device.close()
            raise

    def make(self) -> None:
        """Make the relay and read the pin back; FeedError if it differs."""
        self._command(True)

    def release(self) -> None:
        """Release the relay and read the pin back; FeedError if it differs."""
        self._command(False)

    @property
    def is_made(self) -> bool:
        """Whether the pin reads back the level that makes the relay; FeedError if unreadable."""
        if self._pin is None:
            return False  # given back: nothing drives it, the external pull holds it off
        try:
            return bool(self._pin.state) is self._on
        except Exception as error:
            raise self._failure("cannot be read back", error) from error

    def close(self) -> None:
        """Release the relay and give the pin back.  Idempotent.

        The pin is given back even if the release cannot be confirmed; then FeedError is raised.
        """
        device, self._device = self._device, None
        if device is None:
            return
        try:
            self.release()
        finally:
            self._pin = None
            device.close()

    def _command(self, made: bool) -> None:
        if self._pin is None:
            if made:
                raise FeedError(
                    f"The {self.name} on GPIO {self._wiring.pin} has been closed and cannot be "
                    "made. Open the bench again."
                )
            return
        try:
            self._pin.state = self._on if made else not self._on
        except Exception as error:
            raise self._failure("cannot be written", error) from error
        self._check(made)

    def _check(self, made: bool) -> None:
        if self.is_made is not made:
            told, read = ("made", "released") if made else ("released", "made")
            raise FeedError(
                f"The {self.name} was {told} but GPIO {self._wiring.pin} reads back as {read}. "
                "Take the supply off the rig; then look for a short at the pin or at the relay "
                "board's input."
            )

    def _failure(self, what: str, error: Exception) -> FeedError:
        return FeedError(
            f"GPIO {self._wiring.pin} of the {self.name} {what}: {error}. "
            "Take the supply off the rig before looking for the cause."
        )


class FeedPair:
    """The battery and the ignition feed of one station."""

    def __init__(self, battery: FeedOutput, ignition: FeedOutput) -> None:
        self.battery = battery
        self.ignition = ignition

    def set(self, battery: bool, ignition: bool) -> None:
        """Bring both feeds to the state asked for; what is to be released goes first.

        Raises FeedError if one does not follow; whatever could be released has been.
        """
        orders = ((self.battery, battery), (self.ignition, ignition))
        failure: FeedError | None = None
        for feed, made in orders:
            if not made:
                try:
                    feed.release()
                except FeedError as error:
                    failure = failure or error
        if failure is not None:
            raise failure
        for feed, made in orders:
            if made:
                feed.make()

    def all_off(self) -> bool:
        """Release both, whatever either answers.  True only if both read back released."""
        results = [_is_off(self.battery), _is_off(self.ignition)]
        return all(results)

    def close(self) -> None:
        """Close both, whatever either answers; FeedError of the first that failed."""
        try:
            self.battery.close()
        finally:
            self.ignition.close()


def _is_off(feed: FeedOutput) -> bool:
    try:
        feed.release()
    except FeedError:
        return False
    return True


class DeadMan:
    """The output that a retriggerable timer watches: it drops the master relay when edges stop.

    ``picked_up`` reads the master relay's auxiliary contact, which closes to ground when the relay
    has picked up; a broken wire reads as dropped out.
    """

    def __init__(self, wiring: DeadManWiring, pin_factory: Any) -> None:
        self.timeout_s = wiring.timeout_s
        self._output = FeedOutput(wiring, pin_factory, "dead-man output")
        self._sense: Any = None
        if wiring.sense_pin is not None:
            try:
                self._sense = InputDevice(wiring.sense_pin, pull_up=True, pin_factory=pin_factory)
            except Exception as error:
                self._output.close()
                raise FeedError(
                    f"The master relay's contact on GPIO {wiring.sense_pin} cannot be read: "
                    f"{error}. See that the rig file names the right pin."
                ) from error
        self._pin = self._output._pin
        self._level = not wiring.active_high

    def toggle(self) -> None:
        """Give the timer one edge.  FeedError if the pin cannot be written.

        To be called once per completed and checked control cycle and from nowhere else.  Not read
        back: the timer is the read-back, through ``picked_up``.
        """
        level = self._level = not self._level
        try:
            self._pin.state = level
        except Exception as error:
            raise self._output._failure("cannot be written", error) from error

    def stand_by(self) -> None:
        """Give no edge: there was no cycle, or none that was good."""

    @property
    def picked_up(self) -> bool | None:
        """Whether the master relay has picked up; None if its contact is not wired."""
        sense = self._sense
        if sense is None:
            return None
        try:
            return not sense.pin.state
        except Exception:  # unreadable: nothing shows that it has picked up
            return False

    def close(self) -> None:
        """Stop giving edges and give the pins back.  Idempotent."""
        sense, self._sense = self._sense, None
        if sense is not None:
            sense.close()
        self._output.close()
