"""Chapters that players take: the first at 0, ascending, long enough, following what could be heard."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.events import MarkPlaced, TakeEnded
from bridge.review.chapters import LONGEST_TITLE, SHORTEST_S, chapters, ffmetadata, one_line, placed, video_list, vtt
from bridge.review.facts import tell
from bridge.review.story import Story
from tests.journal.given import any_fact
from tests.review.sample import BEGAN, WALL, ferry_night

EVIL = [
    "a --> b",
    "<b>& bold</b>",
    "x=1; #2 \\ end",
    "two\nlines\r\nthree",
    "☕ 灯台 👩‍🚒",
    "horns " * 2000,
    "\0\x1b[0m",
    "   ",
]


def night(*marks: tuple[float, str]) -> Story:
    return tell([*ferry_night(), *(MarkPlaced(at=BEGAN + s, wall=WALL + s, text=text) for s, text in marks)])


def evil_night() -> Story:
    facts = [replace(fact, at=BEGAN + 300) if isinstance(fact, TakeEnded) else fact for fact in ferry_night()]
    marks = [MarkPlaced(at=BEGAN + 125 + 20 * n, wall=WALL, text=text) for n, text in enumerate(EVIL)]
    return tell([*facts, *marks])


def test_chapters_follow_what_could_be_heard_and_marks_name_them():
    assert [(chapter.begin_s, chapter.title) for chapter in chapters(night())] == [
        (0.0, "north at 84 bpm"),
        (31.0, "gravel path sits well under the horns"),
        (58.0, "north: another tape, 59 bpm"),
        (71.0, "kettle on ☕ 灯台"),
        (85.0, "north: speed switch, 118 bpm"),
    ]


def test_a_mark_goes_before_what_is_too_close_to_it():
    titles = [chapter.title for chapter in chapters(night((60.0, "the winch")))]
    assert "the winch" in titles
    assert "north: another tape, 59 bpm" not in titles


@given(st.lists(any_fact(), max_size=20), st.lists(st.tuples(st.floats(0, 2000), st.text(max_size=30)), max_size=30))
def test_any_take_at_all_has_chapters_that_players_take(facts, marks):
    """First at 0:00, ascending, 10 s or more each. Common practice of video sites, no one source."""
    noted = [MarkPlaced(at=s, wall=0.0, text=text) for s, text in marks]
    story = replace(tell([*facts, *noted]), length_s=2000.0)
    found = chapters(story)
    begins = [chapter.begin_s for chapter in found]
    assert begins[0] == 0.0
    assert all(chapter.end_s - chapter.begin_s >= SHORTEST_S for chapter in found)
    assert [chapter.end_s for chapter in found] == [*begins[1:], 2000.0]
    assert all(0 < len(chapter.title) <= LONGEST_TITLE and "\n" not in chapter.title for chapter in found)


def test_a_take_of_nothing_has_none():
    assert chapters(tell([])) == ()
    assert (vtt(()), video_list(())) == (b"WEBVTT\n", b"")


STAMP = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"


def read_strictly(data: bytes) -> list[tuple[float, float, str]]:
    """Read WebVTT as a strict author's checker would. Source: W3C WebVTT, "WebVTT file body" and "WebVTT timestamp"."""
    text = data.decode("utf-8")
    head, _, body = text.partition("\n\n")
    assert head == "WEBVTT"
    cues = []
    for block in filter(None, body.rstrip("\n").split("\n\n")):
        name, timing, *lines = block.split("\n")
        assert "-->" not in name
        begin, end = re.fullmatch(rf"{STAMP} --> {STAMP}", timing), None
        assert begin is not None, timing
        assert len(lines) == 1, "a chapter's title is one line"
        assert "-->" not in lines[0]
        assert not re.search(r"<|&(?!amp;|lt;|gt;)", lines[0])
        numbers = [int(n or 0) for n in begin.groups()]
        seconds = [n[0] * 3600 + n[1] * 60 + n[2] + n[3] / 1000 for n in (numbers[:4], numbers[4:])]
        end = seconds[1]
        assert seconds[0] < end
        assert not cues or seconds[0] >= cues[-1][0]
        cues.append((seconds[0], end, lines[0].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")))
    return cues


def test_web_vtt_reads_back_strictly_with_any_mark():
    found = chapters(evil_night())
    assert read_strictly(vtt(found)) == [(c.begin_s, c.end_s, c.title) for c in found]
    assert len(found) > 8


def test_the_strict_reader_refuses_what_is_wrong():
    """Source of the cases: web-platform-tests, timings-too-short.vtt."""
    for timing in ("0:00:00.000 --> 00:01.000", "00:00.00 --> 00:01.000", "00:00,000 --> 00:01.000"):
        with pytest.raises(AssertionError):
            read_strictly(f"WEBVTT\n\n1\n{timing}\nx\n".encode())


def probe(path: Path, *what: str) -> dict:
    if shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is absent (Debian: apt-get install ffmpeg)")
    command = ["ffprobe", "-v", "error", *what, "-of", "json", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return json.loads(done.stdout)


def test_ffprobe_reads_the_web_vtt(tmp_path: Path):
    found = chapters(evil_night())
    (tmp_path / "chapters.vtt").write_bytes(vtt(found))
    packets = probe(tmp_path / "chapters.vtt", "-show_packets")["packets"]
    assert [float(packet["pts_time"]) for packet in packets] == [chapter.begin_s for chapter in found]
    assert [float(packet["duration_time"]) for packet in packets] == [c.end_s - c.begin_s for c in found]


def test_ffprobe_reads_the_ffmetadata_with_any_mark(tmp_path: Path):
    found = chapters(evil_night())
    (tmp_path / "x.ffmetadata").write_bytes(ffmetadata(found, "ferry = night; #1"))
    told = probe(tmp_path / "x.ffmetadata", "-show_chapters", "-show_format")
    assert [(float(c["start_time"]), float(c["end_time"]), c["tags"]["title"]) for c in told["chapters"]] == [
        (chapter.begin_s, chapter.end_s, chapter.title) for chapter in found
    ]
    assert told["format"]["tags"]["title"] == "ferry = night; #1"


def test_the_list_for_a_video_is_times_and_titles():
    lines = video_list(chapters(night())).decode().splitlines()
    assert lines[:2] == ["0:00 north at 84 bpm", "0:31 gravel path sits well under the horns"]


def test_chapters_are_placed_on_another_recording():
    """A stream that began 40 s after the take: what went on then comes first, all others 40 s sooner."""
    moved = placed(chapters(night()), lambda seconds: seconds - 40.0, 80.0)
    assert [(chapter.begin_s, chapter.title) for chapter in moved] == [
        (0.0, "gravel path sits well under the horns"),
        (18.0, "north: another tape, 59 bpm"),
        (31.0, "kettle on ☕ 灯台"),
        (45.0, "north: speed switch, 118 bpm"),
    ]
    assert moved[-1].end_s == 80.0


def test_chapters_that_the_other_recording_has_not_are_left_out():
    moved = placed(chapters(night()), lambda seconds: None if seconds < 60 else seconds, 80.0)
    assert [chapter.begin_s for chapter in moved] == [0.0]
    assert placed((), lambda seconds: seconds, 80.0)[0].begin_s == 0.0


def test_a_title_is_one_short_line():
    assert one_line("two\r\n lines\t\0") == "two lines �"
    assert len(one_line("horns " * 50)) == LONGEST_TITLE
