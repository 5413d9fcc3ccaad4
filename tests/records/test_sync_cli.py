"""`halfturn sync` at the prompt."""

from __future__ import annotations

import json
import re
import time
from datetime import datetime
from pathlib import Path

import pytest
import quick_schema
from at_the_prompt import halfturn
from central_server import new_database
from sqlalchemy import text
from whole_records import made

RIG = (Path(__file__).parents[2] / "rig" / "templates" / "rig.toml").read_text("utf-8")


@pytest.fixture(scope="module", autouse=True)
def _quickly():
    with quick_schema.using(quick_schema.upgrade):
        yield


@pytest.fixture
def rig(tmp_path):
    """A rig file to which a [central] can be added."""
    path = tmp_path / "rig.toml"

    def written(central):
        head, station, rest = RIG.partition("\n[[station]]")
        path.write_text(f"{head}\n[central]\n{central}\n{station}{rest}", "utf-8")
        return str(path)

    return written


def test_from_the_first_prepare_to_the_last_status(store, server, rig, make, capsys):
    url = new_database(server).replace("+psycopg", "")
    words = ("--rig", rig(f'url = "{url}"'), "--records", str(store.path))
    made(store, make)
    status, _, err = halfturn(capsys, "sync", *words)
    assert (status, "`halfturn sync prepare`" in err) == (6, True)
    _, out, _ = halfturn(capsys, "sync", "status", *words)
    assert "Waiting to be sent: 1 run." in out
    assert "never all sent; the last try" in " ".join(out.split())
    assert halfturn(capsys, "sync", "prepare", *words)[0] == 0
    _, out, _ = halfturn(capsys, "sync", "prepare", *words)
    assert "as they should be already" in " ".join(out.split())
    status, out, _ = halfturn(capsys, "sync", *words)
    assert (status, out) == (0, "Sent: 1 new, 0 brought up to date, 0 there already.\n")
    assert halfturn(capsys, "sync", *words)[1] == "Nothing waited to be sent.\n"
    _, out, _ = halfturn(capsys, "sync", "status", "--json", *words)
    told = json.loads(out)
    assert (sum(told["waiting"].values()), told["failed"], told["to"]) == (0, "", url)


def test_each_place_is_told_with_what_came_there_and_when(
    store, central_url, rig, make, capsys, monkeypatch
):
    made(store, make)
    words = ("--rig", rig(""), "--records", str(store.path))
    url = central_url.replace("+psycopg", "")
    halfturn(capsys, "sync", *words, "--to", url)
    nowhere = "postgresql://b@/d?host=/nowhere"
    assert halfturn(capsys, "sync", *words, "--to", nowhere)[0] == 6
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        _, out, _ = halfturn(capsys, "sync", "status", *words)
        told = json.loads(halfturn(capsys, "sync", "status", "--json", *words)[1])
        now = datetime.now().astimezone()
    finally:
        monkeypatch.undo()
        time.tzset()
    # Without blanks and line ends, which are where the URL's length puts them.
    last, before = ("".join(part.split()) for part in out[out.index("To ") :].split("To ")[1:3])
    assert nowhere in last
    assert "neverallsent;thelasttry" in last
    assert url in before
    assert (told["to"], told["synced_at"]) == (nowhere, None)
    sent = datetime.fromisoformat(told["others"][0]["synced_at"])
    assert abs((now - sent).total_seconds()) < 600
    shown = datetime.strptime(re.search(r"allsent([-\d:]+)\.", before)[1], "%Y-%m-%d%H:%M")
    assert abs((now.replace(tzinfo=None) - shown).total_seconds()) < 600


def test_traces_stay_where_the_rig_file_says_so(store, central_url, rig, make, capsys):
    made(store, make)
    words = ("--records", str(store.path), "--to", central_url.replace("+psycopg", ""))
    bare = rig("traces = false")
    assert halfturn(capsys, "sync", "--rig", bare, *words)[1].startswith("Sent: 1 new")
    whole = rig("traces = true")
    assert "1 brought up to date" in halfturn(capsys, "sync", "--rig", whole, *words)[1]


def test_a_rig_file_with_a_password_is_refused_and_does_not_show_it(store, rig, capsys):
    words = ("--rig", rig('url = "postgresql://b:se1cret@h/d"'), "--records", str(store.path))
    status, out, err = halfturn(capsys, "sync", *words)
    assert (status, "has a password in it" in err) == (4, True)
    assert "se1cret" not in out + err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "no central records are named"),
        (("--same",), "--same belongs to `halfturn sync bench`"),
        (("status", "--every", "60"), "--every belongs to `halfturn sync`"),
        (("bench", "--to", "x"), "--to belongs to `halfturn sync` or `halfturn sync prepare`"),
        (("--to", "postgresql:///d?foo=bar"), "Correct the URL"),
        (("--every", "1"), "--every must be 5 seconds or more"),
        (("--every", "nan"), "--every must be 5 seconds or more"),
        (("--every", "60", "--once"), "not allowed with argument"),
        (("--to", "http://h/d"), "no URL of a PostgreSQL database"),
    ],
)
def test_a_slip_is_told(store, rig, capsys, words, said):
    status, _, err = halfturn(
        capsys, "sync", "--rig", rig(""), "--records", str(store.path), *words
    )
    assert status in (3, 6)
    assert said in err


def test_which_bench_this_is_is_told_and_settled(store, rig, make, capsys):
    words = ("sync", "bench", "--rig", rig(""), "--records", str(store.path))
    with store.taking() as connection:
        connection.execute(text("UPDATE benches SET machine = 'another'"))
    first = " ".join(halfturn(capsys, *words)[1].split())
    assert "made on another computer" in first
    assert "another computer" not in " ".join(halfturn(capsys, *words, "--same")[1].split())
    assert "another computer" not in halfturn(capsys, *words)[1]
    before = json.loads(halfturn(capsys, *words, "--json")[1])["id"]
    assert "Calibrate this rig." in halfturn(capsys, *words, "--new")[1]
    assert json.loads(halfturn(capsys, *words, "--json")[1])["id"] != before
