#!/usr/bin/env python3
"""One sentence when a line or a gauge is lost, and one when it is back; no repeats each poll."""
import re
import time

from walk import Walk, main, wait_for
from witness import Witness


def answers(walk):
    try:
        return walk.sql("SELECT count(*) AS n FROM scan WHERE well = 1 AND source = 1 AND outcome = 1")[0]["n"]
    except AssertionError:
        return 0  # the journal is being made


def begins_in_time(walk):
    """Whether the daemon had answers before the first fault, by the simulator's time."""
    faults = walk.directory / "faults.txt"
    faults.write_text("at 5 s for 5 s line pad-line unit 1 silence\nat 18 s for 6 s line pad-line unit 1 gauge_lost\n")
    walk.start_simulator("--faults", faults)
    began = time.monotonic()
    walk.start_daemon()
    wait_for("answers", 20, lambda: answers(walk) >= 2)
    return time.monotonic() - began < 4.5


def one_sentence_an_event():
    """Planted defects: nothing is said at all; a sentence each poll; the end is not told, or without its interval."""
    for _ in range(5):
        with Walk("log") as walk:
            walk.own_maps("first_data: 25 s", "first_data: 3 s")  # what a gauge takes that was lost
            if begins_in_time(walk):
                witness = Witness(walk, walk.daemon, walk.simulator)
                began_ms = time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
                try:
                    return one_sentence(walk)
                except AssertionError:
                    # A loss is told after some whole polls of it; those of a daemon that stood in line for a processor may be too few, or silent by themselves.
                    if witness.waited_s(began_ms, began_ms + 40000) < 4:
                        raise
            print("  the machine was too slow: once more", flush=True)
    raise AssertionError("the machine was too slow, five times")


def one_sentence(walk):
    wait_for("the gauge's return", 25, lambda: re.search(r"heron-7.*the gauge is back", walk.log("daemon")))
    time.sleep(2)
    log = [line for line in walk.log("daemon").splitlines() if "heron-7" in line]
    down = [line for line in log if "No answer from the surface unit" in line]
    back = [line for line in log if "the line is back" in line]
    silent = [line for line in log if "downhole gauge does not" in line]
    awake = [line for line in log if "the gauge is back" in line]
    for what, lines in (("line lost", down), ("line back", back), ("gauge silent", silent), ("gauge back", awake)):
        assert len(lines) == 1, f"{what}: {len(lines)} sentences\n" + "\n".join(log)
    assert re.search(r"unit id 1, pad-line, 38400 8N1\) since 20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z \(\d+ s\)", down[0]), down[0]
    assert re.search(r"Gap 20\S+Z to 20\S+Z \(.+\)\. \d+ scans missed, 0 recovered\.", back[0]), back[0]
    assert "site's electrical work procedure" in down[0]
    for line in down + back + silent + awake:
        print("  " + line)


if __name__ == "__main__":
    main(one_sentence_an_event)
