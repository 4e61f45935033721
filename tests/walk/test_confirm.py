#!/usr/bin/env python3
"""`uphole confirm` with a real daemon: refused where the numbers differ, Good from the next scan on, there after kill -9, listed with who and what.

Planted defects, each seen to be caught here: confirm-any-number (tests/planted); confirm-forgotten-at-start; the words of a confirmation are not read
back at the start (confirm-words-unread).
"""
import json
import signal
import subprocess

from walk import BINARY, Walk, main, wait_for


def uphole(walk, *words, code=0):
    out = subprocess.run([str(BINARY), *words, "--journal", str(walk.journal)], capture_output=True, text=True, timeout=60)
    assert out.returncode == code, (words, out)
    return out.stdout if code == 0 else out.stderr


def reading(walk, point):
    channels = json.loads(uphole(walk, "read", "heron-7", "--json"))["channels"]
    return next(channel for channel in channels if channel["channel"] == point)


def listed(walk, point):
    said = json.loads(uphole(walk, "confirm", "heron-7", "--json"))
    assert said["schema"] == "uphole/confirmed/1" and said["well"] == "heron-7", said
    return next(channel for channel in said["channels"] if channel["point"] == point)


def fresh(walk, point):
    return wait_for(f"a fresh {point}", 30, lambda: reading(walk, point)["value"])


def a_screen_is_compared_and_the_answer_kept():
    """Refused where numbers differ; then Good from the next scan on, also after kill -9; listed; withdrawn."""
    with Walk("confirm", timeout="900 ms") as walk:  # so that a unit of a busy machine isn't silent
        walk.config.write_text(walk.config.read_text().replace("serial_number: G-0417, confirmed_units: all", "serial_number: G-0417, confirmed_units: [intake_temperature]"))
        walk.start_simulator()
        walk.start_daemon()
        wait_for("the local socket", 20, lambda: subprocess.run([str(BINARY), "status", "--journal", str(walk.journal)], capture_output=True).returncode == 0)
        kpa = fresh(walk, "intake_pressure")
        wait_for("an unconfirmed reading", 10, lambda: reading(walk, "intake_pressure")["reason"] == "unit_unconfirmed")
        assert listed(walk, "intake_pressure")["state"] == "not confirmed" and listed(walk, "intake_temperature")["state"] == "configured"
        psi = kpa / 6.894757293168361  # NIST SP 811 (2008), appendix B
        for words, code, says in (
                (["--screen", f"{kpa:.0f} psi"], 65, f"The screen says {kpa:.0f} psi"),
                (["--screen", f"{psi:.0f} psi", "--at", "2025-01-10T08:00:00Z"], 64, "30 minutes"),
                (["--screen", "psi 12"], 64, "is not what a screen shows"), (["--screen", f"{psi:.0f}"], 64, "is not what a screen shows"),
                (["--screen", "12 degC"], 65, "a unit of temperature"), ([], 64, "--screen says")):
            said = uphole(walk, "confirm", "heron-7", "intake_pressure", *words, "--by", "technician", code=code)
            assert says in said, (words, said)
        assert "--by ROLE" in uphole(walk, "confirm", "heron-7", "intake_pressure", "--screen", "12 MPa", code=64)
        assert not walk.sql("select * from event where kind in ('unit_confirmed', 'order_confirm')"), "a refused confirmation stands in the journal"
        psi = fresh(walk, "intake_pressure") / 6.894757293168361
        said = uphole(walk, "confirm", "heron-7", "intake_pressure", "--screen", f"{psi:.0f} psi", "--by", "technician")
        assert "is confirmed from the next scan on" in said, said
        wait_for("the next scan", 10, lambda: reading(walk, "intake_pressure")["reason"] == "good")
        walk.daemon.send_signal(signal.SIGKILL)
        walk.daemon.wait()
        walk.start_daemon()
        wait_for("the local socket", 20, lambda: subprocess.run([str(BINARY), "status", "--journal", str(walk.journal)], capture_output=True).returncode == 0)
        wait_for("good after kill -9", 30, lambda: reading(walk, "intake_pressure")["reason"] == "good")
        row = listed(walk, "intake_pressure")
        assert row["state"] == "confirmed" and row["by"].startswith("technician (") and f"screen {psi:.0f} psi" in row["words"], row
        assert row["tied_to"] == {"serial_number": "G-0417", "map": "scaled-16", "unit_register": 0}, row
        assert "units     1 confirmed by persons: 'uphole confirm heron-7 --list'" in uphole(walk, "status"), uphole(walk, "status")
        text = uphole(walk, "confirm", "heron-7", "--list")
        assert "intake_pressure" in text and "  confirmed  " in text and "does not prove the downhole sensor" in text, text
        uphole(walk, "confirm", "heron-7", "intake_pressure", "--withdraw", "--by", "technician")
        wait_for("unconfirmed again", 10, lambda: reading(walk, "intake_pressure")["reason"] == "unit_unconfirmed")
        row = listed(walk, "intake_pressure")
        assert row["state"] == "withdrawn" and "withdrawn by technician" in row["why"], row
        assert [e["kind"] for e in walk.sql("select kind from event where kind like 'unit_%' order by pos")] == ["unit_confirmed", "unit_lapsed"]


if __name__ == "__main__":
    main(a_screen_is_compared_and_the_answer_kept)
