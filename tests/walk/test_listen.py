#!/usr/bin/env python3
"""A line is listened to before it is asked: at the first start, and when its stanza is new; not after a short stop."""
import time

from walk import Walk, main, wait_for


def listening_skips(walk):
    return sum(g["scans"] for g in walk.gaps() if g["kind"] == "skipped" and "isten" in g["cause"])


def scans(walk):
    """Scans of the serial line so far; 0 while the journal is being made."""
    if not (walk.journal / "journal.sqlite").exists():
        return 0
    try:
        return walk.sql("SELECT count(*) AS n FROM scan WHERE well=1 AND source=1")[0]["n"]
    except AssertionError as error:
        if "no such table" in str(error) or "locked" in str(error):
            return 0
        raise


def run_once(walk):
    """Runs until a scan of the serial line is journaled; how long that took, s."""
    before = scans(walk)
    began = time.monotonic()
    walk.start_daemon()
    wait_for("a scan", 30, lambda: scans(walk) > before)
    took = time.monotonic() - began
    time.sleep(1.5)
    walk.stop(walk.daemon)  # which stores what was counted
    return took


def a_new_line_is_listened_to_before_it_is_asked():
    """Planted defects: never listens; listens at every restart; a changed speed counts as known."""
    with Walk("listen", listen="6 s") as walk:
        walk.start_simulator()
        first = run_once(walk)
        skips = listening_skips(walk)
        again = run_once(walk)
        assert listening_skips(walk) == skips, "a short stop made it listen again"
        walk.config.write_text(walk.config.read_text().replace("speed: 38400 baud", "speed: 19200 baud"))
        changed = run_once(walk)
        assert skips >= 8, f"{skips} due times skipped for listening, expected those of two sources in 6 s"
        assert listening_skips(walk) >= skips + 8, "a changed stanza was asked at once"
        print(f"  first scan after {first:.1f} s, after a short stop {again:.1f} s, after a changed speed {changed:.1f} s")
        assert 6 <= min(first, changed)


if __name__ == "__main__":
    main(a_new_line_is_listened_to_before_it_is_asked)
