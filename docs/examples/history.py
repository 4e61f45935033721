#!/usr/bin/env python3
"""History over MQTT without holes or doubles: stores each row of one site's records in SQLite, names what is missing.

    history.py HOST PORT SITE DATABASE [SECONDS]

Needs paho-mqtt. The session is kept by the broker while this program is away.
"""
import json
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

SCHEMA = """
CREATE TABLE IF NOT EXISTS row(well TEXT, run TEXT, seq INTEGER, revision INTEGER, sent TEXT, source TEXT, time TEXT, clock TEXT, outcome TEXT,
  content TEXT NOT NULL, PRIMARY KEY(run, well, seq, revision));
CREATE TABLE IF NOT EXISTS value(run TEXT, well TEXT, seq INTEGER, revision INTEGER, point TEXT, value REAL, unit TEXT, reference TEXT,
  quality INTEGER, age_s REAL, PRIMARY KEY(run, well, seq, revision, point));
CREATE VIEW IF NOT EXISTS best AS SELECT * FROM row WHERE revision =
  (SELECT max(revision) FROM row r WHERE r.run = row.run AND r.well = row.well AND r.seq = row.seq);
CREATE TABLE IF NOT EXISTS hole(well TEXT, run TEXT, seq INTEGER, found_before_seq INTEGER, PRIMARY KEY(run, well, seq));
"""


class History:
    def __init__(self, path):
        self.database = sqlite3.connect(path, check_same_thread=False)
        self.database.executescript(SCHEMA)
        self.duplicates = 0

    def has(self, well, run, seq):
        return self.database.execute("SELECT 1 FROM row WHERE well=? AND run=? AND seq=?", (well, run, seq)).fetchone() is not None

    def take(self, payload):
        """One record message, all of it or nothing of it."""
        message = json.loads(payload)
        if message["schema"] != "uphole/record/1":
            return
        well, run = message["well"], message["run"]
        with self.database:  # one transaction
            self.note_hole(message)
            for row in message["rows"]:
                self.take_row(well, run, message["sent"], row, message["sets"][row["source"]])

    def note_hole(self, message):
        """`after` names the row before the first of these. If it isn't here, rows are missing on this side of the broker."""
        first = message["rows"][0]["seq"]
        if message["after"] is None or message["rows"][0]["revision"] > 0:
            return
        after_run, after_seq = message["after"]
        is_first_ever = self.database.execute("SELECT 1 FROM row WHERE well=?", (message["well"],)).fetchone() is None
        if not is_first_ever and not self.has(message["well"], after_run, after_seq):
            self.database.execute("INSERT OR IGNORE INTO hole VALUES(?, ?, ?, ?)", (message["well"], after_run, after_seq, first))

    def take_row(self, well, run, sent, row, columns):
        key = (run, well, row["seq"], row["revision"])
        content = json.dumps(row, sort_keys=True)
        known = self.database.execute("SELECT content FROM row WHERE run=? AND well=? AND seq=? AND revision=?", key).fetchone()
        if known is not None:  # equal identity means equal content: drop it
            assert known[0] == content, f"one identity, two contents: {key}"
            self.duplicates += 1
            return
        self.database.execute("INSERT INTO row VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                              (well, run, row["seq"], row["revision"], sent, row["source"], row["time"], row["clock"], row["outcome"], content))
        self.database.execute("DELETE FROM hole WHERE well=? AND run=? AND seq=?", (well, run, row["seq"]))  # it came after all
        for point, unit, reference, value, quality, age_s in zip(columns["points"], columns["units"], columns["references"],
                                                                 row["values"], row["qualities"], row["age_s"]):
            self.database.execute("INSERT INTO value VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", key + (point, value, unit, reference, quality, age_s))

    def holes(self):
        return self.database.execute("SELECT well, run, seq, found_before_seq FROM hole ORDER BY well, seq").fetchall()


def main():
    host, port, site, path = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4]
    seconds = float(sys.argv[5]) if len(sys.argv) > 5 else None
    history = History(path)
    client = mqtt.Client(client_id="history-1", clean_session=False)  # the broker keeps what comes while this is away
    client.on_connect = lambda c, *_: c.subscribe([(f"uphole/{site}/+/record", 1), (f"uphole/{site}/+/gap", 1)])
    client.on_message = lambda _c, _u, m: history.take(m.payload) if m.topic.endswith("/record") else None
    client.connect(host, port)
    client.loop_start()
    began = time.monotonic()
    while seconds is None or time.monotonic() - began < seconds:
        time.sleep(0.2)
    client.loop_stop()
    client.disconnect()
    rows, late = history.database.execute("SELECT count(*), sum(sent = 'late') FROM row").fetchone()
    print(f"{rows} rows, {late or 0} of them late, {history.duplicates} duplicates dropped, {len(history.holes())} holes")
    for well, run, seq, before in history.holes():
        print(f"{well}: rows up to seq {seq} of run {run} are missing before seq {before}; have them sent again")


if __name__ == "__main__":
    main()
