#!/usr/bin/env python3
"""`uphole trace` against the real daemon: the trace is what went over the wire, its replay is what was journaled, and its file is bounded and honest.

Planted defects (tests/planted), each seen to be caught: trace-bytes-missing and trace-follow-twice (the wire), trace-file-unbounded (the file).
"""
import os
import pathlib
import re
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading

os.environ.setdefault("UPHOLE_BINARY", str(pathlib.Path(__file__).resolve().parents[2] / "build/release/daemon/uphole/uphole"))
import record  # noqa: E402  (reads the binary's name)

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "walk"))
from walk import main  # noqa: E402

REPLAY = os.environ.get("UPHOLE_REPLAY", str(HERE.parents[1] / "build/release/tests/golden/replay_scans"))
CASE = dict(seconds=10, config="noise", pump="plain", faults="every 2 s stray 4 bytes\nat 3 s for 2500 ms bad_checksum\n")


def bytes_of(text, word):
    return bytes.fromhex("".join(re.findall(rf"^\+[0-9.]+ {word}((?: [0-9A-F]{{2}})+)", text, re.M)))


def a_trace_is_what_went_over_the_wire_and_its_replay_is_what_was_journaled():
    """A pump between daemon and unit sees the same bytes; the trace played again gives the scans of the journal."""
    for _ in range(4):
        if is_what_was_journaled():
            return
        print("  the machine was too slow for three scans with two outcomes: once more", flush=True)
    raise AssertionError("there were never three scans with two outcomes")


def is_what_was_journaled():
    """False where the daemon had too little processor for the scene's faults, so that there is nothing to compare."""
    with tempfile.TemporaryDirectory(prefix="uphole-trace-") as name:
        directory = pathlib.Path(name)
        scene = record.Scene("walk", CASE, directory)
        try:
            scene.start()
            out = directory / "out.trace"
            done = scene.trace("--for", "10s", "--into", out)
            assert done.returncode == 0 and done.stdout == "" and done.stderr == "", done
            again = scene.trace("--into", out)
            assert again.returncode == 73 and "nothing is overwritten" in again.stderr, again
            bad = subprocess.run([record.BINARY, "trace", "no-line", "--journal", scene.journal], capture_output=True, text=True)
            assert bad.returncode == 66 and "the lines are pad-line" in bad.stderr, bad
            ring = scene.trace()  # not a terminal: what is kept, once
            assert ring.returncode == 0 and re.search(r"^\+[0-9.]+ end", ring.stdout, re.M), ring
        finally:
            scene.stop()
        text = out.read_text()
        for word, seen in (("sent", scene.pump.from_master), ("received", scene.pump.from_unit)):
            got = bytes_of(text, word)
            assert len(got) >= 48 and bytes(seen).startswith(got), f"{word}: the wire had {bytes(seen).hex()}, the trace has {got.hex()}"
        assert " cut " not in text and "checksum bad" in text
        played = subprocess.run([REPLAY, scene.config, record.SOURCE / "config/maps", out], capture_output=True, text=True)
        assert played.returncode == 0, played.stderr
        with sqlite3.connect(f"file:{scene.journal}/journal.sqlite?mode=ro", uri=True) as journal:
            rows = journal.execute("SELECT outcome, took_ms, tries, stray, words FROM scan ORDER BY seq").fetchall()
        scans = [line.split(" ") for line in played.stdout.splitlines()]
        if len(scans) < 3 or len({s[0] for s in scans}) < 2:
            return False
        for (outcome, took_ms, tries, stray, words), scan in zip(rows, scans):
            assert [str(outcome), str(tries), str(stray), words.hex().upper()] == [scan[0], scan[2], scan[3], scan[4]], (scan, outcome, words.hex())
        # A busy machine may stop the daemon between the two looks at its clock, now and then.
        apart = [(row[1], scan) for row, scan in zip(rows, scans) if abs(row[1] - int(scan[1])) > 20]
        assert len(apart) * 4 <= len(scans), apart

        # a writer that was killed leaves half a line
        half = directory / "half.trace"
        half.write_text(text[:text.rindex(" sent ") + 9])
        shown = subprocess.run([record.BINARY, "trace", "--explain", half], capture_output=True, text=True)
        assert shown.returncode == 0 and "whoever wrote it was stopped within its last line" in shown.stderr, shown
        assert text.startswith(shown.stdout), "an explained trace has the comments of the first"
        half.write_text(text.replace(" sent 01", " sent 1"))
        shown = subprocess.run([record.BINARY, "trace", "--explain", half], capture_output=True, text=True)
        assert shown.returncode == 65 and re.search(r"half\.trace:\d+: byte 1 is none", shown.stderr), shown
        return True


class Answers(threading.Thread):
    """A daemon's socket that answers as it is told: what the real one can't be made to answer soon."""

    def __init__(self, directory, make):
        super().__init__(daemon=True)
        self.make, self.questions = make, []
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.bind(str(directory / "uphole.socket"))
        self.socket.listen(4)
        self.start()

    def run(self):
        while True:
            client, _ = self.socket.accept()
            self.questions.append(client.recv(200).decode())
            code, body = self.make(len(self.questions))
            client.sendall(f"{code} {len(body)}\n".encode() + body)
            client.close()


def a_file_ends_at_its_bound_and_says_so():
    """Answers as large as they may be: 16 MiB at most, the last line whole, exit code 1; a line started anew ends the trace with its reason."""
    head = "".join(f"{line}\n" for line in (HERE / "healthy.trace").read_text().splitlines()[:10])

    def large(n):
        first = (n - 1) * 18000
        lines = "".join(f"+{first + i}.000000 received 55\n" for i in range(18000))
        return 0, f"next {n * 18000 + 1} now {first + 18000}000000\n{head if n == 1 else ''}{lines}".encode()

    with tempfile.TemporaryDirectory(prefix="uphole-trace-") as name:
        directory = pathlib.Path(name)
        Answers(directory, large)
        out = directory / "out.trace"
        done = subprocess.run([record.BINARY, "trace", "pad-line", "--journal", directory, "--for", "10min", "--into", out],
                              capture_output=True, text=True, timeout=250)
        assert done.returncode == 1 and "is full (16 MiB)" in done.stderr, done
        assert 15 << 20 < out.stat().st_size <= 16 << 20, out.stat().st_size
        last = out.read_text()[-300:].splitlines()
        assert last[-2].startswith("# The file is full (16 MiB)") and " end " in last[-1], last
        shown = subprocess.run([record.BINARY, "trace", "--explain", out], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        assert shown.returncode == 0 and shown.stderr == "", shown

    with tempfile.TemporaryDirectory(prefix="uphole-trace-") as name:
        directory = pathlib.Path(name)
        anew = Answers(directory, lambda n: large(n) if n == 1 else (75, b"The line was started anew, and its trace with it. Ask again."))
        out = directory / "out.trace"
        done = subprocess.run([record.BINARY, "trace", "pad-line", "--journal", directory, "--for", "10min", "--into", out],
                              capture_output=True, text=True, timeout=250)
        assert done.returncode == 75 and "started anew" in done.stderr, done
        assert anew.questions == ["trace after pad-line 0\n", "trace after pad-line 18001\n"], anew.questions
        shown = subprocess.run([record.BINARY, "trace", "--explain", out], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        assert shown.returncode == 0 and "has no 'end'" in shown.stderr, shown


if __name__ == "__main__":
    main(a_trace_is_what_went_over_the_wire_and_its_replay_is_what_was_journaled, a_file_ends_at_its_bound_and_says_so)
