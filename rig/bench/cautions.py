"""The cautions an operator accepts before the first feed of a run."""

from __future__ import annotations

CAUTIONS = (
    "The lever moves without warning and with force: guard it, keep fingers, hair and sleeves "
    "away.",
    "A jammed or long-fed unit gets hot enough to burn; let it cool before handling it.",
    "A battery delivers hundreds of amperes into a short: fuse it at its terminal (10 A for the "
    "feed), take off rings and watches, cover the terminals.",
    "The emergency stop must cut the supply by its own contacts; press it once and see it work.",
    "Test units off the vehicle only. Local electrical and workplace rules come first; leave mains "
    "work and anything you are not sure of to licensed practice.",
)
