#!/usr/bin/env python3
"""The daemon's own audit of its books: a minute after its start its result stands in `status`, on the box's topic and in the journal; a journal in
which one count was changed by hand does not hold, and the daemon says so. Meanwhile polling goes on at its times: the latest poll while the audit
ran is held beside those before it, in the same run.
"""
import json
import re
import sqlite3
import struct
import zlib

from walk import Walk, main, wait_for


def box(walk):
    boxes = [json.loads(payload) for topic, payload in walk.taken("heron-edge-1") if "/box/" in topic]
    return boxes[-1] if boxes else None


def gap_check(row):
    head = struct.pack(">QQQQQIIIIHHBBBBBBBB", row["pos"], row["run"] & (2 ** 64 - 1), row["id"], row["before_seq"], row["after_seq"], row["revision"],
                       row["scans"], row["refreshes_about"], row["recovered"], row["well"], row["point"], row["kind"], row["cause_code"], row["source"],
                       row["all_wells"], row["start_sure"], row["end_sure"], row["is_open"], row["lost"])
    for at, clock in (("start", row["start_clock"]), ("end", row["end_clock"]), ("due", 0)):
        head += struct.pack(">qqIB", row[at + "_utc_ms"], row[at + "_boot_ms"], row[at + "_boot"], clock)
    return zlib.crc32(row["destination"].encode() + b"\0" + row["cause"].encode(), zlib.crc32(head))


def lateness(walk, first, last):
    """Of polls on the grid of 200 ms: how late each began, ms, the latest first."""
    rows = walk.sql(f"SELECT s.boot_ms - r.began_boot_ms AS ms FROM scan s JOIN run r ON r.id = s.run WHERE s.well = 1 AND s.source = 2 AND s.pos "
                    f"BETWEEN {first} AND {last}")
    return sorted((row["ms"] % 200 for row in rows), reverse=True)


def the_books_are_proven_beside_polling_and_a_wrong_one_is_said():
    """The result, and what is done about it.

    Planted defect: books-always-hold."""
    with Walk("books", poll="200 ms", refresh="1 s") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("the box", 20, lambda: box(walk))
        assert box(walk)["books"]["state"] == "unknown" and box(walk)["books"]["audited"] is None, box(walk)
        wait_for("scans", 20, lambda: (walk.sql("SELECT max(pos) AS n FROM scan")[0]["n"] or 0) > 50, step=0.5)
        first = walk.sql("SELECT max(pos) AS n FROM scan")[0]["n"]
        books = wait_for("the audit on the box's topic", 90, lambda: box(walk)["books"] if box(walk)["books"]["state"] != "unknown" else None, step=0.2)
        last = walk.sql("SELECT max(pos) AS n FROM scan")[0]["n"]
        assert books["state"] == "hold" and books["due"] == books["rows"] + books["never_attempted"] and books["rows"] > 400, books
        late = lateness(walk, first, last)
        print(f"  polls of the drive while it waited and ran: {len(late)}; the latest began {late[0]} ms after their times, {late[len(late) // 2]} ms at the median")
        said = wait_for("the event", 10, lambda: walk.sql("SELECT text FROM event WHERE kind = 'books'"))[0]["text"]
        assert re.search(r"^The books since .*Z hold: \d+ polls due, \d+ rows, \d+ never attempted\.$", said), said

        # one count of the ledger, changed by hand with its check; the daemon is killed so that there is one
        walk.stop(walk.daemon, 9)
        walk.start_daemon()
        wait_for("the outage's row", 20, lambda: any(g["kind"] == "program" for g in walk.gaps()), step=0.5)
        walk.stop(walk.daemon)
        db = sqlite3.connect(walk.journal / "journal.sqlite", isolation_level=None)
        db.row_factory = sqlite3.Row
        row = dict(db.execute("SELECT * FROM gap WHERE kind = 5 AND well = 1 AND source = 2 ORDER BY pos DESC LIMIT 1").fetchone())
        row["scans"] += 3
        db.execute('UPDATE gap SET scans = ?, "check" = ? WHERE pos = ?', (row["scans"], gap_check(row), row["pos"]))
        db.close()
        walk.start_daemon()
        wait_for("what does not hold", 100, lambda: box(walk)["books"]["state"] == "do_not_hold", step=0.2)
        assert "do not hold: heron-7 drive: 3 polls more than were due. Run 'uphole audit" in walk.log("daemon"), walk.log("daemon")[-1500:]


main(the_books_are_proven_beside_polling_and_a_wrong_one_is_said)
