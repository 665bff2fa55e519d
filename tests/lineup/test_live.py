"""A whole line-up on a private JACK server: a deck that plays, and a pedal that echoes as its clock tells."""

from __future__ import annotations

import json
import time
from importlib.util import find_spec
from pathlib import Path

import pytest

from bridge.journal.lineup import keep_lineup
from bridge.live import begin_take
from bridge.rig_text import parse_rig
from tests.conftest import JackServer
from tests.loops import mixer, tapebridge

RIG = """
[sound]
device = "system"
[[decks]]
name = "north"
channels = [1]
[[pedals]]
name = "long echo"
port = "mixer:pedal"
listens_to = "north"
[[pedals]]
name = "stutter"
port = "Pedals B"
listens_to = "north"
[midi]
api = "jack"
[take]
name = "ferry night"
"""


@pytest.mark.jack
@pytest.mark.skipif(find_spec("jack") is None, reason="JACK-Client is absent (it is installed on Linux only)")
def test_the_echo_is_timed_where_its_return_comes_in(jack_server: JackServer, tmp_path: Path) -> None:
    """To a millisecond of what the pedal made of its clock.

    Where this machine was too busy to hear without gaps, which is told, it is walked again.
    """
    (tmp_path / "rig.toml").write_text(RIG)
    for _ in range(3):
        with mixer(jack_server) as peer:
            done = tapebridge(jack_server, "lineup", "rig.toml", "--yes", cwd=tmp_path)
            seen = peer.end()
        assert done.returncode == 0, done.stderr
        page = max((tmp_path / "recordings/lineups").glob("*-ferry-night/lineup.html"))
        assert done.stdout.rstrip().endswith(f"Page: {page.relative_to(tmp_path)}"), done.stdout
        facts = json.loads(page.with_name("lineup.json").read_text())
        found = {(one["where"], one["what"]): one for one in facts["findings"]}
        if ("sound", "gaps") not in found:
            break
    else:
        pytest.skip("this machine was too busy three times to hear the server without gaps")
    assert seen["ticks"] == pytest.approx(8 / 0.43 * 24, rel=0.1)  # of 8 s
    echo = found["long echo", "echo"]
    heard_ms = float(echo["said"].split(" ms")[0])
    assert echo["said"].endswith("ms on input 2, asked for 430 ms") or "it plays" in echo["said"]
    assert heard_ms == pytest.approx(1000 * seen["delay"] / jack_server.rate, abs=1)
    assert echo["well"] == ("well" if abs(heard_ms - 430) <= 0.03 * 430 else "look")
    assert found["north", "level"]["well"] == "well"
    assert found["north", "clipping"]["well"] == "well"
    assert (found["stutter", "port"]["well"], found["stutter", "port"]["said"]) == (
        "look",
        '"Pedals B" matches no MIDI output',
    )
    assert "LOOK  port" in done.stdout
    assert "http" not in page.read_text().split("</style>")[-1]


def test_a_set_that_begins_takes_the_page_of_the_night_along(tmp_path: Path) -> None:
    rig = parse_rig(RIG.replace("[take]", f"[take]\nfolder = {json.dumps(str(tmp_path))}"), "rig.toml")
    keep_lineup(tmp_path, rig.take.name, time.time(), "the page", "{}")
    assert (begin_take(rig, "") / "lineup.html").read_text() == "the page"


@pytest.mark.jack
def test_without_a_sound_device_the_pedals_are_still_walked_through(jack_server: JackServer, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG.replace('"system"', '"Deck interface"'))
    done = tapebridge(jack_server, "lineup", "rig.toml", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)["findings"]
    assert [(one["where"], one["what"]) for one in found] == [
        ("sound", "device"),
        ("long echo", "port"),
        ("stutter", "port"),
    ]
    assert '"Deck interface" matches no sound input' in found[0]["said"]
