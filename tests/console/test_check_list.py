"""The list of the self-check's items keeps its height whatever happens to the terminal."""

from textual.app import App
from textual.widgets import DataTable

from rig.bench.events import CheckItem, ItemState
from rig.console.widgets.check_list import CheckList


class Shown(App):
    def compose(self):
        yield CheckList()


async def test_a_layout_in_the_same_breath_as_the_items_does_not_hide_them():
    items = [CheckItem(f"item{k}", f"Item {k}", ItemState.OPEN, "") for k in range(7)]
    app = Shown()
    async with app.run_test(size=(80, 24)) as pilot:
        checks = app.query_one(CheckList)
        checks.show(items)
        app.screen._refresh_layout()  # as a resize does, before the table has looked at its rows
        await pilot.pause()
        await pilot.pause()
        assert checks.query_one(DataTable).size.height == 7
