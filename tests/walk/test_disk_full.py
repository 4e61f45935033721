#!/usr/bin/env python3
"""The disk refuses: polling and live values go on, marked; no record is invented; what was read but not stored is counted, and the books balance."""
import json
import os
import pathlib
import subprocess
import tempfile
import time

from pymodbus.client import ModbusTcpClient

from walk import Skip, Walk, check_chain, found_if, main, once, wait_for


def table_block(walk):
    client = ModbusTcpClient("127.0.0.1", port=walk.table_port, timeout=30)
    assert client.connect()
    answer = client.read_holding_registers(0, 100, slave=1)
    client.close()
    assert not answer.isError(), answer
    return answer.registers


def refused_block(walk):
    """The block, while it says that what is shown isn't stored: the log has room again after a checkpoint, so that the mark may go and come."""
    registers = table_block(walk)
    return registers if registers[29] == 0 else None


def live_values_go_on_while_the_disk_refuses():
    """Planted defects: seq used although the commit failed; a record sent that is in no journal; the refused scans in no row of the ledger."""
    if os.geteuid() != 0:
        raise Skip("mounting a tmpfs needs root")
    mount = pathlib.Path(tempfile.mkdtemp(prefix="uphole-small-"))
    out = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", mount], capture_output=True, text=True)
    if out.returncode != 0:
        raise Skip(f"a tmpfs can't be mounted here: {out.stderr.strip()}")
    try:
        with Walk("full", journal=mount / "journal", timeout="900 ms") as walk:
            walk.start_broker()
            walk.subscribe()
            walk.start_simulator()
            walk.start_daemon()
            wait_for("records", 20, lambda: len(walk.records()) > 6)
            filler = mount / "filler"
            file = os.open(filler, os.O_WRONLY | os.O_CREAT)
            try:
                while os.write(file, b"x" * 4096) > 0:
                    pass
            except OSError:
                pass
            os.close(file)
            registers = wait_for("the mark on live values", 60, lambda: refused_block(walk))
            assert registers[34] == 75, f"intake pressure has quality {registers[34]} while the disk refuses"
            assert registers[4] == 1, "the line is up all the while"
            wait_for("a latest that says so", 10, lambda: any(not json.loads(payload)["journaled"] for _, payload in walk.taken("latest")))
            time.sleep(12)  # the write-ahead log has room again after a checkpoint, and fills up again
            filler.unlink()
            wait_for("the journal to take scans again", 30, lambda: table_block(walk)[29] == 1)
            n = len(walk.records())
            wait_for("new records", 20, lambda: len(walk.records()) > n + 6)
            walk.stop(walk.daemon)
            runs = len(walk.sql("SELECT DISTINCT run FROM scan"))
            walk.start_daemon()
            wait_for("scans of another run", 20, lambda: len(walk.sql("SELECT DISTINCT run FROM scan")) > runs)
            walk.stop(walk.daemon)
            kept = once(walk.records())
            for well in ("heron-7", "heron-8"):
                check_chain([r for r in kept if r["well"] == well])
            rows = {("%016x" % (r["run"] % 2**64), r["seq"]) for r in walk.sql("SELECT run, seq FROM scan")}
            invented = [r for r in kept if (r["run"], r["seq"]) not in rows]
            found_if(invented, f"records that no journal holds: {invented[:2]}")
            disk = [g for g in walk.gaps() if g["kind"] == "disk"]
            assert {(g["well"], g["source"]) for g in disk} >= {("heron-7", "gauge"), ("heron-7", "drive"), ("heron-8", "gauge")}, disk
            for gap in disk:
                assert gap["after_seq"] is None or gap["before_seq"] is None or gap["before_seq"] < gap["after_seq"], gap
            print(f"  {len(kept)} records, all in the journal; {sum(g['scans'] for g in disk)} scans counted as refused by the disk")
            from test_kill import check_dues
            check_dues(walk)
    finally:
        subprocess.run(["umount", "-l", mount], capture_output=True)
        mount.rmdir()


if __name__ == "__main__":
    main(live_values_go_on_while_the_disk_refuses)
