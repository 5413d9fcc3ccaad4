"""A station's calibration in words: on every result, and in the list of those made."""

from __future__ import annotations

from datetime import date

from rig.quality.calibration import (
    RATIO_WANTED,
    Calibration,
    CalibrationState,
    Line,
    Reference,
    ReferenceKind,
    Standing,
)

AHEAD_TO_DO = (
    "Set the computer's clock. If it is right now and was wrong then, give the station another "
    "name in rig.toml, which calibrations go by, and calibrate again."
)


def standing_words(standing: Standing | None) -> str:
    """Return how a station stood when a run was made, as a sentence or two.

    None: the record is from before calibrations were kept.
    """
    if standing is None:
        return "Calibration not recorded."
    made = standing.calibration
    why = "; ".join(standing.changed)
    match standing.state:
        case CalibrationState.NEVER:
            which = "simulated rig" if standing.simulated else "rig"
            but = f" ({why})" if why else ""
            return f"This {which} was never calibrated{but}: its readings rest on the rig file."
        case CalibrationState.RIG_CHANGED:
            day = "" if made is None else f" of {_day(made)}"
            return (
                f"The calibration{day} does not apply: {why}. The readings rest on the rig file: "
                "calibrate again."
            )
        case CalibrationState.DATED_AHEAD:
            assert made is not None
            return (
                f"The calibration of {_day(made)} is dated after today, {standing.on.isoformat()}, "
                "and does not apply: the computer's clock is wrong now, or was then. Set the clock."
            )
        case _:
            assert made is not None
            by = f" by {made.operator}" if made.operator else ""
            voltage = "" if made.voltage is not None else ", current only"
            told = f"{_day(made)}{by}{voltage}, due {made.due.isoformat()}"
            late = "".join(f" {text}" for text in _overdue_then(made))
            if standing.state is CalibrationState.OVERDUE:
                return f"CALIBRATION OVERDUE: made {told}.{late} Calibrate again."
            return f"Calibrated {told}.{late}"


def state_words(standing: Standing) -> str:
    """Return whether a calibration holds, and how long, in few words."""
    left = standing.days_left
    match standing.state:
        case CalibrationState.IN_FORCE:
            return f"in force, {left} days left"
        case CalibrationState.OVERDUE:
            return f"OVERDUE by {-(left or 0)} days"
        case CalibrationState.DATED_AHEAD:
            return "dated after today, DOES NOT APPLY"
        case _:
            return f"DOES NOT APPLY: {'; '.join(standing.changed)}"


def standing_line(standing: Standing | None) -> str:
    """Return what a result says of the rig it was measured on, on a line of its own.

    Empty for a simulated rig that never had a calibration, and for records of before.
    """
    if standing is None:
        return ""
    quiet = standing.simulated and standing.state is CalibrationState.NEVER
    return "" if quiet else standing_words(standing)


def standing_in_short(standing: Standing | None) -> str:
    """Return what must stand beside a result, in few words; empty if nothing must.

    Nothing must of a calibration in force, nor of a simulated rig that never had one: that it is
    simulated is said already.
    """
    if standing is None:
        return ""
    match standing.state:
        case CalibrationState.NEVER:
            return "" if standing.simulated else "RIG NEVER CALIBRATED"
        case CalibrationState.RIG_CHANGED:
            return "CALIBRATION DOES NOT APPLY"
        case CalibrationState.DATED_AHEAD:
            return "CALIBRATION DATED AHEAD"
        case CalibrationState.OVERDUE:
            return "CALIBRATION OVERDUE"
        case _:
            return ""


def due_words(standing: Standing, warn_days: int) -> str:
    """Return what is to be done about a calibration, empty if it is not due in ``warn_days``."""
    left = standing.days_left
    if standing.state is CalibrationState.IN_FORCE and left is not None:
        if left > warn_days:
            return ""
        when = (
            "today is its last day" if left == 0 else f"{left} day{'s' if left != 1 else ''} left"
        )
        return f"Due soon, {when}: calibrate with `halfturn calibrate`."
    if standing.state is CalibrationState.DATED_AHEAD:
        return AHEAD_TO_DO
    return "Calibrate with `halfturn calibrate`."


def line_words(line: Line) -> list[str]:
    """Return gain, offset and the errors as found and as left, a line each."""
    unit, found = line.quantity.unit, line.correction
    lines = [
        f"{line.quantity}: gain {found.gain:.5f} (U {2 * found.gain_u:.5f}), offset "
        f"{_signed(found.offset)} {unit} (U {2 * found.offset_u:.4f} {unit}), k = 2"
    ]
    for point in line.points:
        if not point.count:
            continue  # assumed, not read
        at = f"{point.reference:.4g} {unit}"
        if point.reference == 0:
            at = "zero" if point.set_v is None else f"zero with {point.set_v:g} V set"
        lines.append(
            f"  at {at}: as found {_signed(line.found(point))}, as left "
            f"{_signed(line.left(point))}, U {2 * found.u(point.reading):.4f} {unit}"
        )
    return lines


def astonishing_words(line: Line) -> str:
    """Return that a station was further off than it claimed, empty if it was not."""
    points = line.astonishing()
    if not points:
        return ""
    unit, worst = line.quantity.unit, max(points, key=lambda point: abs(line.found(point)))
    found = f"{_signed(line.found(worst))} {unit}"
    return (
        f"At {worst.reference:.4g} {unit} the station was found to be {found} off, more than its "
        f"readings of {line.quantity} were taken to be uncertain by. Look whether each number was "
        "typed as the meter showed it. If it was, what was judged since the last calibration rests "
        "on readings that far off."
    )


def _signed(value: float) -> str:
    """Write a value with its sign; what rounds to nothing has none to speak of."""
    return f"{value:+.4f}".replace("-0.0000", "+0.0000")


def ratio_words(ratio: float) -> str:
    """Return what a test uncertainty ratio says of the reference; empty if it is good enough."""
    if ratio >= RATIO_WANTED:
        return ""
    return (
        f"Uncalibrated, the readings' uncertainty is only {ratio:.1f} times the reference's; "
        f"{RATIO_WANTED:g} times is common practice. What was found is kept with the uncertainty "
        "it has; a better reference would make it smaller."
    )


def reference_words(reference: Reference) -> str:
    """Return a reference with serial, certificate, value and uncertainty."""
    what = "meter"
    unit = ""
    if reference.kind is ReferenceKind.RESISTOR and reference.value_ohm is not None:
        what, unit = f"resistor of {reference.value_ohm:g} ohm", " ohm"
    parts = [f"{reference.expanded_u_rel * 100:.3g} %"] if reference.expanded_u_rel else []
    if reference.expanded_u:
        parts.append(f"{reference.expanded_u:g}{unit}")
    u = f", U {' and '.join(parts)} (k = {reference.k:g})" if parts else ""
    certificate = f", certificate {reference.certificate}" if reference.certificate else ""
    due = f", due {reference.due.isoformat()}" if reference.due else ""
    return f"{what} {reference.serial}{certificate}{u}{due}"


def reference_overdue(reference: Reference, on: date) -> str:
    """Return that a reference is past its own due date, empty if it is not."""
    if reference.due is None or on <= reference.due:
        return ""
    return (
        f"The reference {reference.serial} was itself due on {reference.due.isoformat()}: what it "
        "says is no longer covered by its certificate."
    )


def calibration_words(made: Calibration) -> list[str]:
    """Return a whole calibration, a line each."""
    by = f" by {made.operator}" if made.operator else ""
    simulated = "SIMULATED " if made.setup.simulated else ""
    lines = [
        f"{_day(made)} {simulated}{made.setup.rig}, station "
        f"{made.setup.station}{by}, due {made.due.isoformat()}"
    ]
    lines += [f"  against {reference_words(reference)}" for reference in made.references]
    lines += [f"  {text}" for text in _overdue_then(made)]
    for line in (made.current, made.voltage):
        if line is not None:
            lines += [f"  {text}" for text in line_words(line)]
    if made.note:
        lines.append(f"  {made.note}")
    return lines


def _overdue_then(made: Calibration) -> list[str]:
    """Return which references were past their own due dates when it was made."""
    told = (reference_overdue(reference, made.made_on) for reference in made.references)
    return [text for text in told if text]


def _day(made: Calibration) -> str:
    return made.made_on.isoformat()
