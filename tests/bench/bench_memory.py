#!/usr/bin/env python3
"""Prints RssAnon of the well side and the SCADA side after some seconds of work: two wells, a drive, a broker, a table with four views.

Goal: together at most 8 MiB. Usage: UPHOLE_BINARY=... bench_memory.py [SECONDS]
"""
import pathlib
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
from walk import Walk, wait_for  # noqa: E402


def memory(pid, field="RssAnon"):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(field + ":"):
            return int(line.split()[1])
    return 0


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30
    sys.argv = sys.argv[:1]
    with Walk("memory") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records", 20, lambda: walk.records())
        print("after      well side   SCADA side   together   (RssAnon, KiB)")
        end = time.monotonic() + seconds
        start = time.monotonic()
        while True:
            well, scada = memory(walk.daemon.pid), memory(walk.scada_side())
            print(f"{time.monotonic() - start:5.0f} s   {well:9d}   {scada:10d}   {well + scada:8d}", flush=True)
            if time.monotonic() >= end:
                break
            time.sleep(min(10, seconds / 3))
        print(f"together {(well + scada) / 1024:.2f} MiB of the 8 MiB that are the goal")


main()
