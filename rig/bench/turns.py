"""Who may feed, and when: what several stations of one rig do one at a time.

A step that sets the supply changes the voltage of all stations: it waits until no other station
feeds, and the others wait until it is over.  Motors start one after the other, so that their
inrush does not add up at the supply and its main fuse.  Whoever waits to start keeps the feeds as
they are, the unit at rest and its guard on; whoever waits to feed has them off.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

START_APART_S = 0.3
"""Two motors of one rig start so long after one another at least, s (guess).

An LM-12's inrush has fallen to its running current after 0.1 s; three times that.
"""


@dataclass
class Turns:
    """Who feeds now, who does so alone, and who waits to.  Asked by the control loops only."""

    _feeding: set[str] = field(default_factory=set)
    _alone: str = ""
    _asking: list[str] = field(default_factory=list)
    _started: str = ""
    _started_s: float = -inf

    @property
    def feeding(self) -> frozenset[str]:
        """The stations that may feed now."""
        return frozenset(self._feeding)

    def may_feed(self, name: str, *, alone: bool) -> bool:
        """Tell whether a station may begin to feed, and if so count it in; ask until it may.

        Whoever waits to be alone comes before all who have not begun.
        """
        if alone and name not in self._asking:
            self._asking.append(name)
        if self._alone or (self._asking and self._asking[0] != name):
            return False
        if alone and self._feeding:
            return False
        if alone:
            self._asking.remove(name)
            self._alone = name
        self._feeding.add(name)
        return True

    def waits_for(self, name: str, *, alone: bool) -> str:
        """Return what a station that may not feed yet waits for, a sentence."""
        if alone and not self._alone:
            others = ", ".join(sorted(self._feeding)) or self._asking[0]
            return (
                f"Waits with the feeds off until station {others} feeds no longer: the next step "
                "sets the supply, which feeds them all."
            )
        return (
            f"Waits with the feeds off until station {self._alone or self._asking[0]} is through "
            "with a step that sets the supply."
        )

    def over(self, name: str) -> None:
        """Take note that a station feeds no longer, or waits no longer to."""
        self._feeding.discard(name)
        if name in self._asking:
            self._asking.remove(name)
        if self._alone == name:
            self._alone = ""

    def may_start(self, name: str, time_s: float) -> bool:
        """Tell whether a motor may start at ``time_s`` (s), and if so count it as started.

        One station's own starts are as far apart as its plan has them.
        """
        if name != self._started and time_s - self._started_s < START_APART_S:
            return False
        self._started, self._started_s = name, time_s
        return True
