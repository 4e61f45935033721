#!/usr/bin/env python3
"""A backlog at speed, and what breaks in the middle of it with several batches in flight: broker, SCADA side, well side."""
import json
import os
import pathlib
import signal
import subprocess
import time

from walk import BINARY, PATIENCE, SOURCE, Walk, check_chain, found_if, main, once, wait_for

FILL = pathlib.Path(os.environ.get("UPHOLE_DRAIN_FILL", BINARY.parents[2] / "tests/bench/bench_drain_fill"))
ROWS = 45000 if os.environ.get("UPHOLE_LONG") == "1" else 18000
# docs/limits.md: so many bytes may be unanswered when something breaks, and one message of at most a quarter of that more.
IN_FLIGHT_BYTES = 262144 * 5 // 4


class Drain(Walk):
    def __init__(self, name):
        super().__init__(name)
        subprocess.run([FILL, self.config, SOURCE / "config/maps", str(ROWS)], check=True)
        self.filled_run = self.sql("SELECT run FROM scan LIMIT 1")[0]["run"]
        # Persistence: a broker that is stopped in order keeps what it acknowledged.
        self.broker_lines = f"persistence true\npersistence_location {self.directory}/\nmax_inflight_messages 0\n" + ("user root\n" if os.geteuid() == 0 else "")

    def subscribe_and_tell_apart(self):
        """What the broker itself delivers once more (it, too, waits for answers) bears its mark, MQTT 5.0, 3.3.1.1: not our doing."""
        self.subscribe("uphole/+/+/record")
        self.redelivered, self.is_gone = set(), False
        self.client.on_connect = lambda client, *_: client.subscribe([("uphole/+/+/record", 1), ("uphole/+/box/+", 1)])

        def keep(_client, _data, message):
            if "/box/" in message.topic:
                self.is_gone = not json.loads(message.payload)["running"]
                return
            with self.lock:
                if message.dup:
                    self.redelivered.add(len(self.messages))
                self.messages.append((message.topic, message.payload, message.retain, time.monotonic()))

        self.client.on_message = keep
        self.client.subscribe("uphole/+/box/+", qos=1)

    def arrived(self):
        with self.lock:
            return sum(payload.count(b'"outcome":') for topic, payload, _, _ in self.messages if topic.endswith("/record"))

    def wait_share(self, share):
        wait_for(f"{share:.0%} of the backlog", 60, lambda: self.arrived() >= share * ROWS, step=0.002)

    def cursors(self):
        return {row["well"]: row["pos"] for row in self.sql("SELECT well, pos FROM cursor WHERE stream = 1 AND destination = 'plant-broker'")}

    def last(self):
        return {row["well"]: row["pos"] for row in self.sql(f"SELECT well, max(pos) AS pos FROM scan WHERE run = {self.filled_run} GROUP BY well")}

    def is_under_way(self):
        """Whether some of the backlog isn't accepted yet; asked while the broker stands still, so that all it accepted gets stored: two commits."""
        def newest():
            return self.sql("SELECT max(pos) AS n FROM scan")[0]["n"]
        for _ in range(2):
            at = newest()
            wait_for("a commit", 10, lambda n=at: newest() > n)
        stored = self.cursors()
        return any(stored.get(well, 0) < pos for well, pos in self.last().items())

    def wait_end(self):
        """The cursors stand behind what the journal was filled with, and what they stand behind has arrived: what was accepted and isn't there was lost."""
        last = self.last()
        wait_for("the end of the backlog", 120, lambda: all(self.cursors().get(well, 0) >= pos for well, pos in last.items()), step=0.3)
        come = lambda: len({(r["well"], r["seq"]) for r in self.filled()})  # noqa: E731
        try:
            wait_for("what the broker took", 60, lambda: come() >= ROWS, step=1)
        except AssertionError:
            self.judge()
            raise

    def filled(self):
        """Rows of the backlog in the order of arrival; runs are 16 hex digits on the way out."""
        run = f"{self.filled_run % 2**64:016x}"
        with self.lock:
            messages = [(i in self.redelivered, payload) for i, (_, payload, _, _) in enumerate(self.messages)]
        rows = []
        for redelivered, payload in messages:
            message = json.loads(payload)
            previous = message["after"]
            for row in message["rows"] if message["run"] == run else []:
                rows.append(dict(row, well=message["well"], run=run, sent=message["sent"], after=previous, set=message["sets"][row["source"]],
                                 redelivered=redelivered))
                previous = [run, row["seq"]]
        return rows

    def pause_broker(self):
        """It answers nothing, so that what is handed over stays unanswered."""
        os.kill(self.broker.pid, signal.SIGSTOP)
        time.sleep(0.4)

    def judge(self):
        """No hole; each row first arrives in its order; equal ids have equal content. Returns how many came twice."""
        rows = self.filled()
        by_broker = [row.pop("redelivered") for row in rows]
        kept = once(rows)
        seen, twice = set(), 0
        self.row_bytes = sum(len(payload) for _, payload in self.taken("record")) / len(rows)
        for row, redelivered in zip(rows, by_broker):
            twice += not redelivered and (row["well"], row["seq"]) in seen
            seen.add((row["well"], row["seq"]))
        for well in ("heron-7", "heron-8"):
            of_well = [row for row in kept if row["well"] == well]
            seqs = [row["seq"] for row in of_well]
            found_if(seqs != sorted(seqs), f"{well}: a row came before the one ahead of it")
            check_chain(of_well)
            found_if(seqs != list(range(1, len(seqs) + 1)), f"{well}: rows are missing")
        assert len(kept) == ROWS, (len(kept), ROWS)
        return twice


def a_broker_that_stops_and_starts_gets_each_row_once_or_twice():
    """Planted defect: publish-cursor-on-handover (what was in flight is never sent again)."""
    with Drain("drain-broker") as walk:
        walk.start_broker(walk.broker_lines)
        walk.subscribe_and_tell_apart()
        walk.start_simulator()
        walk.start_daemon()
        for share in (0.2, 0.55):
            walk.wait_share(share)
            walk.pause_broker()
            walk.broker.send_signal(signal.SIGTERM)
            os.kill(walk.broker.pid, signal.SIGCONT)
            walk.broker.wait(10 * PATIENCE)
            time.sleep(0.3)
            walk.start_broker(walk.broker_lines)
        walk.wait_end()
        twice = walk.judge()
        print(f"  {ROWS} rows, each in its order; {twice} came twice over 2 stops of the broker")
        assert twice * walk.row_bytes <= 2 * IN_FLIGHT_BYTES, f"{twice} rows came twice, more than were in flight"


def a_scada_side_that_is_killed_sends_again_what_was_in_flight_and_no_more():
    """Planted defect: publish-cursor-on-handover. What it had accepted stands in core's memory, so only what was in flight goes again."""
    with Drain("drain-scada") as walk:
        walk.start_broker(walk.broker_lines)
        walk.subscribe_and_tell_apart()
        walk.start_simulator()
        walk.start_daemon()
        was_under_way = 0
        for share in (0.05, 0.4):  # of what has arrived here; the broker is ahead of that
            walk.wait_share(share)
            walk.pause_broker()
            was_under_way += walk.is_under_way()
            side = walk.scada_side()
            os.kill(side, signal.SIGKILL)
            os.kill(walk.broker.pid, signal.SIGCONT)
            wait_for("a new SCADA side", 10, lambda: walk.scada_side() not in (None, side))
        walk.wait_end()
        twice = walk.judge()
        print(f"  {ROWS} rows, each in its order; {twice} came twice over 2 kills of the SCADA side, {was_under_way} of them in the middle of the backlog")
        assert was_under_way > 0, "the backlog was at its end before the first kill: this proved nothing"
        assert 0 < twice * walk.row_bytes <= 2 * IN_FLIGHT_BYTES, f"{twice} rows came twice, none or more than were in flight"


def a_well_side_that_is_killed_sends_again_no_more_than_a_seconds_worth():
    """Cursors ride with the next commit, a second later at most: what was accepted since, and what was in flight, goes again. Planted defect:
    publish-cursor-on-handover."""
    with Drain("drain-well") as walk:
        walk.start_broker(walk.broker_lines)
        walk.subscribe_and_tell_apart()
        walk.start_simulator()
        walk.start_daemon()
        walk.wait_share(0.35)
        walk.pause_broker()
        os.kill(walk.daemon.pid, signal.SIGKILL)
        walk.daemon.wait()
        stored = walk.cursors()
        os.kill(walk.broker.pid, signal.SIGCONT)
        wait_for("all that the broker had taken, and the last will", 30, lambda: walk.is_gone)
        again = len(walk.filled())
        done = sum(walk.sql(f"SELECT count(*) AS n FROM scan WHERE well = {well} AND pos <= {pos} AND run = {walk.filled_run}")[0]["n"]
                   for well, pos in stored.items())
        walk.start_daemon()
        walk.wait_end()
        twice = walk.judge()
        print(f"  {ROWS} rows, each in its order; {twice} came twice: {again} had arrived, the stored cursors stood behind {done}")
        assert twice <= again - done, f"{twice} rows came twice, {again - done} were not yet stored as accepted"


if __name__ == "__main__":
    main(a_broker_that_stops_and_starts_gets_each_row_once_or_twice, a_scada_side_that_is_killed_sends_again_what_was_in_flight_and_no_more,
         a_well_side_that_is_killed_sends_again_no_more_than_a_seconds_worth)
