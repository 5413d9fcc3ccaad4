"""The units tested last, as the Bench screen offers them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from console_pilot import drive
from stand_in import until
from textual.widgets import Input, OptionList, Static

from rig.analysis.model import Judgement, Verdict
from rig.console.recent import recent_units
from rig.console.records_reader import RecordsReader, Sorry
from rig.records.model import RunEnd, RunStart, RunState, Source
from rig.records.store import Store


def test_units_tested_last_are_offered_newest_first(make_console, tmp_path):
    records = tmp_path / "records.sqlite"
    with Store.open(records) as store:
        for minute, serial in enumerate(("LM-12-0287", "LM-12-0288", "LM-12-0287", "LM-12-0289")):
            verdict = Verdict.PASS if serial == "LM-12-0287" else Verdict.FAIL
            keep_run(store, serial, datetime(2026, 11, 25, 10, minute, tzinfo=UTC), verdict)
    app = make_console(records=records, plan="incoming", serial="")

    async def script(pilot):
        offered = app.screen.query_one("#recent", OptionList)
        await until(pilot, lambda: offered.option_count == 3)
        told = [str(option.prompt).split() for option in offered.options]
        assert told == [["LM-12-0289", "fail"], ["LM-12-0287", "pass"], ["LM-12-0288", "fail"]]
        offered.focus()
        await pilot.press("home", "down", "enter")
        assert app.desk.choices.serial == "LM-12-0287"
        assert app.focused.id == "serial"
        # They complete what is typed, too.
        serial = app.screen.query_one("#serial", Input)
        serial.value = ""
        await pilot.press("l", "m")
        await until(pilot, lambda: serial._suggestion != "")
        await pilot.press("right")
        assert app.desk.choices.serial == "LM-12-0289"

    drive(app, script)


def keep_run(store, serial, started_at, verdict):
    run_id = store.begin_run(
        RunStart(
            started_at=started_at,
            unit_serial=serial,
            unit_type="LM-12",
            plan_name="incoming",
            plan_text="",
            rig_name="bench 1",
            rig_text="",
            station="A",
            operator="jo",
            source=Source.OWN_REBUILD,
            reference="",
            backend="simulated",
            simulated=True,
            backend_facts={},
            program_version="0",
        )
    )
    ended_at = started_at + timedelta(seconds=30)
    store.finish_run(run_id, RunEnd(ended_at, RunState.FINISHED, Judgement(verdict), True))


def test_records_that_cannot_be_read_are_told_before_a_start_and_hinder_no_other_choice(
    make_console, tmp_path
):
    assert recent_units(RecordsReader(tmp_path / "none" / "records.sqlite")) == []
    spoilt = tmp_path / "spoilt.sqlite"
    spoilt.write_text("this is no database")
    assert isinstance(recent_units(RecordsReader(spoilt)), Sorry)
    assert isinstance(recent_units(RecordsReader(tmp_path)), Sorry)  # a folder
    app = make_console(records=spoilt, plan="qualify")

    async def script(pilot):
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert not app.screen.query_one("#recent").display
        words = str(app.screen.query_one("#ready", Static).render())
        assert "Nothing could be recorded" in words
        assert "spoilt.sqlite is not a records database" in words
        assert "--records" in words

    drive(app, script)
