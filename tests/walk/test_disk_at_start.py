#!/usr/bin/env python3
"""The disk refuses the journal when the daemon starts: it polls and shows live values, marked, stores and sends nothing, says so, and begins anew once the disk
takes the journal. What the configuration has wrong still ends it."""
import json
import os
import pathlib
import sqlite3
import subprocess
import tempfile

from pymodbus.client import ModbusTcpClient

from walk import Skip, Walk, check_chain, main, once, wait_for


def journaled(walk):
    """Register 29 of the first well's block: 1 while what is shown is stored; None: no answer."""
    client = ModbusTcpClient("127.0.0.1", port=walk.table_port, timeout=20)
    if not client.connect():
        return None
    answer = client.read_holding_registers(0, 40, slave=1)
    client.close()
    return None if answer.isError() else answer.registers[29]


def until_it_comes_back(walk, give):
    """The daemon is started without its journal; `give` gives it back."""
    walk.start_broker()
    walk.subscribe()
    walk.start_simulator()
    walk.start_daemon({"RUNTIME_DIRECTORY": str(stand_ins(walk))})  # a place that no other test uses for its own
    wait_for("the word", 20, lambda: "Uphole runs without its journal" in walk.log("daemon"))
    wait_for("live values, marked", 40, lambda: any(not m["journaled"] and m["points"] for m in (json.loads(p) for _, p in walk.taken("latest"))))
    wait_for("the table, marked", 20, lambda: journaled(walk) == 0)
    assert walk.daemon.poll() is None and not walk.records(), walk.log("daemon")[-800:]
    assert all(m["seq"] is None for m in (json.loads(p) for _, p in walk.taken("latest")))
    give()
    wait_for("records", 60, lambda: len(walk.records()) > 6)
    wait_for("the mark to go", 20, lambda: journaled(walk) == 1)
    assert walk.log("daemon").count("Uphole runs without its journal") == 1  # said once, not at each try
    said = [row["text"] for row in walk.sql("SELECT text FROM event WHERE kind = 'disk'")]
    assert len(said) == 1 and "ran and read its lines, but the disk refused the journal" in said[0], said
    kept = once(walk.records())
    for well in ("heron-7", "heron-8"):
        check_chain([r for r in kept if r["well"] == well])
    assert {r["run"] for r in kept} <= {"%016x" % (row["id"] % 2**64) for row in walk.sql("SELECT id FROM run")}


def stand_ins(walk):
    """Where journals stand in: empty once all is as it should be."""
    place = walk.directory / "stand-ins"
    place.mkdir(exist_ok=True)
    return place


def a_directory_that_is_not_there_yet_is_waited_for():
    """As one on a card that is not mounted yet. Planted defects: start-ends-without-disk, start-stand-in-stays."""
    with Walk("late", poll="300 ms", refresh="300 ms") as walk:
        walk.config.write_text(walk.config.read_text().replace(f"path: {walk.journal}", f"path: {walk.directory}/card/journal"))
        walk.journal = walk.directory / "card" / "journal"
        was_there = []
        until_it_comes_back(walk, lambda: (was_there.extend(stand_ins(walk).iterdir()), (walk.directory / "card").mkdir()))
        walk.stop(walk.daemon)
        assert was_there and not list(stand_ins(walk).iterdir()), (was_there, list(stand_ins(walk).iterdir()))


def a_file_system_that_can_only_be_read_is_waited_for():
    """Until it is mounted for writing. Planted defect: start-ends-without-disk."""
    if os.geteuid() != 0:
        raise Skip("mounting needs root")
    mount = pathlib.Path(tempfile.mkdtemp(prefix="uphole-start-"))
    out = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=32m", "tmpfs", mount], capture_output=True, text=True)
    if out.returncode != 0:
        mount.rmdir()
        raise Skip(f"a tmpfs can't be mounted here: {out.stderr.strip()}")
    try:
        with Walk("ro", journal=mount / "journal", poll="300 ms", refresh="300 ms") as walk:
            subprocess.run(["mount", "-o", "remount,ro", mount], check=True)
            until_it_comes_back(walk, lambda: subprocess.run(["mount", "-o", "remount,rw", mount], check=True))
    finally:
        subprocess.run(["umount", "-l", mount], capture_output=True)
        mount.rmdir()


def what_the_configuration_has_wrong_still_ends_it():
    """Planted defect: start-waits-for-anything."""
    with Walk("wrong") as walk:
        (walk.directory / "file").write_text("")
        database = sqlite3.connect(walk.journal / "journal.sqlite")
        database.execute("CREATE TABLE recipes(name)")
        database.commit()
        database.close()
        text = walk.config.read_text()
        for path, says in ((f"{walk.directory}/file/journal", "a part of its path is a file"), (walk.journal, "database of another program")):
            walk.config.write_text(text.replace(f"path: {walk.journal}", f"path: {path}"))
            before = len(walk.log("daemon"))
            daemon = walk.start_daemon()
            wait_for("its end", 20, lambda: daemon.poll() is not None)
            assert daemon.returncode == 74 and says in walk.log("daemon")[before:], (daemon.returncode, walk.log("daemon"))


SHORT = [a_directory_that_is_not_there_yet_is_waited_for, what_the_configuration_has_wrong_still_ends_it]
LONG = [a_file_system_that_can_only_be_read_is_waited_for]

main(*(SHORT + LONG if os.environ.get("UPHOLE_LONG") == "1" else SHORT))
