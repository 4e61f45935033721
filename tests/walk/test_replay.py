#!/usr/bin/env python3
"""What went to a broker, captured by a client that nobody here wrote (mosquitto_sub -v), against `uphole replay`, beside a running daemon and
from a copied journal; and a wrong map that is put right: `uphole recalculate` sends its rows as the next revision, over a kill -9 in its middle,
and both revisions can still be had.

The simulator serves registers by the right map all the time; the daemon begins with one that doubles a pressure.
"""
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time

from walk import BINARY, SOURCE, Walk, main, once, wait_for

sys.dont_write_bytecode = True
sys.path.insert(0, str(SOURCE / "docs/examples"))
import history  # noqa: E402

ROWS = 240


def ask(walk, *words, code=0, journal=None, stdin=None):
    out = subprocess.run([str(BINARY), *[str(w) for w in words], "--journal", str(journal or walk.journal)], capture_output=True, text=True,
                         timeout=120, input=stdin)
    assert out.returncode == code, f"{words}: {out.returncode}\n{out.stdout}\n{out.stderr}"
    return out.stdout if code in (0, 1, 2) and out.stdout else out.stderr


def run_with(walk, maps, command, *more):
    return subprocess.run([str(BINARY), command, "--config", str(walk.config), "--maps", str(maps), *more], capture_output=True, text=True, timeout=120)


def payloads(path):
    with open(path) as lines:
        for line in lines:
            topic, _, payload = line.rstrip("\n").partition(" ")
            if topic.endswith("/heron-7/record") and line.endswith("\n"):  # the last may be half written
                yield payload


def newest(walk):
    if not (walk.journal / "journal.sqlite").exists():
        return 0
    try:
        return walk.sql("SELECT max(seq) AS n FROM scan WHERE well = 1")[0]["n"] or 0
    except AssertionError:
        return 0  # it is being made


def time_of(walk, seq):
    ms = walk.sql(f"SELECT utc_ms FROM scan WHERE well = 1 AND seq = {seq}")[0]["utc_ms"]
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(ms // 1000)) + f".{ms % 1000:03}Z"


def delivery(walk):
    status = json.loads(ask(walk, "status", "--json"))
    return next(d for w in status["wells"] if w["well"] == "heron-7" for d in w["delivery"] if d["destination"] == "plant-broker")


def check_tampered(walk, journal, capture, interval):
    """A value one step off, a value far off, a quality, a row gone, a row that never was: each is said by what it is."""
    lines = capture.read_text().splitlines(keepends=True)

    def good_gauge_row(line):
        message = json.loads(line.partition(" ")[2])
        return next((r for r in message["rows"] if r["source"] == "gauge" and r["revision"] == 0 and r["qualities"][0] == 192), None)

    at = next(i for i, line in enumerate(lines) if "/heron-7/record " in line and good_gauge_row(line))
    bad = walk.directory / "tampered.txt"

    def compare(line, code, *says):
        bad.write_text("".join(lines[:at] + ([line] if line else []) + lines[at + 1:]))
        said = ask(walk, "replay", "heron-7", *interval, "--as", "plant-broker", "--as-first-measured", "--compare", bad, code=code, journal=journal)
        for text in says:
            assert text in said, (text, said)
        return said

    topic, _, payload = lines[at].rstrip("\n").partition(" ")
    message = json.loads(payload)
    row = good_gauge_row(lines[at])
    points = message["sets"]["gauge"]["points"]
    k = points.index("intake_pressure")

    def write(change):
        other = json.loads(payload)
        change(next(r for r in other["rows"] if r["seq"] == row["seq"]), other)
        return f"{topic} {json.dumps(other, separators=(',', ':'))}\n"

    value = row["values"][k]
    compare(write(lambda r, m: r["values"].__setitem__(k, value + 1)), 2, "The same within one step", f"intake_pressure is {value + 1} there, {value} here")
    compare(write(lambda r, m: r["values"].__setitem__(k, value + 2)), 1, "Different: 1\n", f"seq {row['seq']} (revision 0)", f"{value + 2} there, {value} here")
    compare(write(lambda r, m: r["qualities"].__setitem__(k, 64)), 1, "quality of intake_pressure is 64 there, 192 here")
    compare(write(lambda r, m: r.__setitem__("time", "2020-01-01T00:00:00.000Z")), 1, "time is")
    compare(write(lambda r, m: m["sets"]["gauge"]["units"].__setitem__(k, "psi")), 1, "unit of intake_pressure", "another unit")
    compare(write(lambda r, m: r.__setitem__("revision", 7)), 1, "There and not in the journal: 1", f"In the journal and not there: 1 (seq {row['seq']})")
    compare(write(lambda r, m: m.__setitem__("run", "0123456789abcdef")), 1, "There and not in the journal: ")
    compare(None, 1, "In the journal and not there: ", f"(seq {message['rows'][0]['seq']}")
    bad.write_text("".join(lines[:at]) + lines[at][:200] + "\n")
    said = ask(walk, "replay", "heron-7", *interval, "--compare", bad, code=65, journal=journal)
    assert f"tampered.txt:{at + 1}: this record message is not whole" in said, said
    swapped = lines[:]  # order is of no concern
    records = [i for i, line in enumerate(lines) if "/heron-7/record " in line]
    for i, k in zip(records, reversed(records)):
        swapped[i] = lines[k]
    bad.write_text("".join(swapped))
    assert ask(walk, "replay", "heron-7", *interval, "--as", "plant-broker", "--as-first-measured", "--compare", bad, journal=journal).endswith("The same.\n")


def what_was_captured_is_what_the_journal_says_and_a_wrong_map_is_put_right():
    """Both, and each thing that may differ.

    Planted defects: see tests/planted/replay-*.patch, and recalculate-*.patch for what the days show."""
    with Walk("replay", poll="100 ms", refresh="1 s") as walk:
        maps = walk.directory / "maps"
        shutil.copytree(SOURCE / "config/maps", maps)
        right = (maps / "scaled-16.yaml").read_text()
        wrong = right.replace("intake_pressure:              {input: 16, type: u16, scale: 0.001,", "intake_pressure:              {input: 16, type: u16, scale: 0.002,")
        assert wrong != right
        (maps / "scaled-16.yaml").write_text(wrong)
        text = walk.config.read_text().replace("    from: oldest\n", "    from: oldest\n    backlog_at_most: 60 records/s\n")
        walk.config.write_text(text)
        walk.start_broker()
        capture = walk.directory / "capture.txt"
        with open(capture, "w") as out:
            eye = subprocess.Popen(["mosquitto_sub", "-h", "127.0.0.1", "-p", str(walk.broker_port), "-q", "1", "-v", "-t", "uphole/#"], stdout=out)
        walk.processes.append(eye)
        walk.start_simulator()
        walk.daemon = walk._start("daemon", BINARY, "run", "--config", walk.config, "--maps", maps)
        wait_for("records", 60, lambda: newest(walk) >= ROWS, step=0.3)
        wait_for("all of them delivered", 20, lambda: delivery(walk)["waiting_records"] < 20)
        last = newest(walk) - 30
        interval = ["--from", time_of(walk, 1), "--to", time_of(walk, last)]
        wait_for("them in the capture", 20, lambda: any(r["seq"] >= last for p in payloads(capture) for r in json.loads(p)["rows"]))

        # beside the running daemon, as it was sent
        said = ask(walk, "replay", "heron-7", *interval, "--as", "plant-broker", "--compare", capture)
        assert said.endswith("The same.\n") and f"{last} records in the journal" in said and "Different: 0" in said, said
        ours = {}
        for rows in (1, 2):
            ours[rows] = set(ask(walk, "replay", "heron-7", *interval, "--as", "plant-broker", "--rows", rows).splitlines())
        assert len(ours[1]) == last, len(ours[1])
        singles = [p for p in payloads(capture) if json.loads(p)["sent"] == "live" and len(json.loads(p)["rows"]) == 1 and json.loads(p)["rows"][0]["seq"] <= last]
        different = [p for p in singles if p not in ours[1]]
        print(f"  {len(singles)} live messages of one row, {len(different)} of them other bytes than replay prints")
        assert not different, different[0]

        # the right map; the rows of the wrong one go out again
        (maps / "scaled-16.yaml").write_text(right)
        out = run_with(walk, maps, "reload")
        assert out.returncode == 0, out.stderr
        assert "--reason" in ask(walk, "recalculate", "heron-7", *interval, code=64)
        said = ask(walk, "recalculate", "heron-7", *interval, "--by", "operations engineer", "--reason", "the map doubled the intake pressure")
        assert re.search(rf"^{last} records of heron-7 \(1 to {last}\) are recalculated under plan [0-9a-f]{{8}} as revision (\d+), as asked by operations engineer", said), said
        number = int(re.search(r"as revision (\d+)", said)[1])
        revised = lambda: [r for p in payloads(capture) for r in json.loads(p)["rows"] if r["revision"] == number]  # noqa: E731
        # By the daemon's word: the capture may be behind it, or ahead of what is accepted.
        wait_for("a part of it", 30, lambda: (delivery(walk)["order"] or {"records_left": 0})["records_left"] <= last - last // 6, step=0.01)
        # The broker answers nothing any more, so that the order stands still where it is, and its place can be stored.
        os.kill(walk.broker.pid, signal.SIGSTOP)
        order = delivery(walk)["order"]
        assert order is not None, "the order was done before it could be looked at; make the range wider"
        assert order["kind"] == "recalculate" and order["revision"] == number and 0 < order["records_left"] < last, order
        assert "a range is recalculated for operations engineer" in ask(walk, "status"), ask(walk, "status")

        def stored():
            at = walk.sql("SELECT max(s.seq) AS seq FROM cursor c JOIN scan s ON s.pos = c.pos WHERE c.stream = 3")[0]["seq"]
            return at if at is not None and at == last - delivery(walk)["order"]["records_left"] else None
        went = wait_for("its place in the journal", 10, stored, step=0.2)
        walk.stop(walk.daemon, signal.SIGKILL)
        os.kill(walk.broker.pid, signal.SIGCONT)
        wait_for("all that the broker had taken, and the last will", 20, lambda: '"running":false' in capture.read_text())
        at_kill = len(revised())
        walk.daemon = walk._start("daemon", BINARY, "run", "--config", walk.config, "--maps", maps)
        wait_for("all of it", 60, lambda: {r["seq"] for r in revised()} >= set(range(1, last + 1)), step=0.3)
        wait_for("the end said", 10, lambda: f"{last} records of heron-7 were recalculated (revision {number}) and sent to plant-broker" in walk.log("daemon"))
        rows = revised()
        print(f"  killed after {at_kill} of {last} revised rows; {len(rows) - last} came twice")
        assert {r["seq"] for r in rows} == set(range(1, last + 1)) and len(rows) - last <= at_kill, len(rows)
        assert rows[at_kill]["seq"] == went + 1, f"after the kill it began at {rows[at_kill]['seq']}, and its place was behind {went}"

        # judged by the receiver of docs/examples: one content an identity, and the pressure is half of what it was
        reader = history.History(":memory:")
        for payload in payloads(capture):
            reader.take(payload)
            message = json.loads(payload)
            assert (message["sent"] == "recalculated") == (message["rows"][0]["revision"] == number) == ("by" in message), message
        both = reader.database.execute(
            "SELECT a.value, b.value FROM value a JOIN value b USING(run, well, seq, point) WHERE a.revision = 0 AND b.revision = ? AND point = "
            "'intake_pressure' AND a.value IS NOT NULL AND b.value IS NOT NULL", (number,)).fetchall()
        assert len(both) > 40 and all(abs(was - 2 * now) <= 2 for was, now in both), both[:5]

        # from a copied journal: both revisions
        walk.stop(walk.daemon)
        copy = walk.directory / "copy"
        shutil.copytree(walk.journal, copy)
        for name in copy.iterdir():
            if name.is_socket():
                name.unlink()
        options = ("heron-7", *interval, "--as", "plant-broker", "--compare", capture)
        for more, n in (([], number), (["--as-first-measured"], 0), (["--revision", str(number)], number), (["--revision", "0"], 0)):
            verdict = json.loads(ask(walk, "replay", *options, *more, "--json", journal=copy))
            assert verdict["verdict"] == "same" and verdict["same"] == verdict["rows"] - verdict["outside"] and verdict["missing"] == 0, verdict
            first = json.loads(ask(walk, "replay", "heron-7", *interval, *more, journal=copy).splitlines()[0])
            assert first["rows"][0]["revision"] == n and first["sent"] == ("recalculated" if n else "live"), first
        cells = {}
        for more in ([], ["--as-first-measured"]):
            out = ask(walk, "export", "heron-7", *interval, "--ndjson", *more, journal=copy)
            cells[len(more)] = [json.loads(line)["rows"][0]["revision"] for line in out.splitlines() if "uphole/record/1" in line]
        assert set(cells[0]) == {number} and set(cells[1]) == {0} and len(cells[0]) == len(cells[1]) == last, {k: len(v) for k, v in cells.items()}
        check_tampered(walk, copy, capture, interval)
        only = walk.directory / "first-only.txt"  # captured before anybody recalculated
        only.write_text("".join(line for line in open(capture) if f'"revision":{number}' not in line))
        said = ask(walk, "replay", "heron-7", *interval, "--as", "plant-broker", "--compare", only, code=1, journal=copy)
        assert f"In the journal and not there: {last} (seq 1 to {last})\n  {last} of them are there in another revision\n" in said, said
        printed = ask(walk, "replay", "heron-7", *interval, "--rows", "64", journal=copy)
        said = ask(walk, "replay", "heron-7", *interval, "--compare", "-", journal=copy, stdin=printed)
        assert said.endswith("The same.\n"), said
        assert once([dict(r, well="heron-7", run=m["run"]) for m in map(json.loads, printed.splitlines()) for r in m["rows"]])
        ask(walk, "replay", "heron-9", *interval, code=66, journal=copy)
        ask(walk, "replay", "heron-7", "--from", "2001-01-01T00:00:00Z", "--to", "2001-01-02T00:00:00Z", code=1, journal=copy)
        before = {p.name: p.stat().st_mtime_ns for p in copy.iterdir() if not p.name.endswith(("-shm", "-wal"))}
        ask(walk, "replay", "heron-7", *interval, journal=copy)
        assert before == {p.name: p.stat().st_mtime_ns for p in copy.iterdir() if not p.name.endswith(("-shm", "-wal"))}, "replay wrote to the journal"


main(what_was_captured_is_what_the_journal_says_and_a_wrong_map_is_put_right)
