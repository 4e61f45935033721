#!/usr/bin/env python3
"""The worst day of a journal, with the real thing: others fill the disk, its file is removed or replaced, it can only be read, a program reads it for
long, an older copy comes back. Each time: polling goes on, a plain sentence, an event or a row that says so, and no id with two contents."""
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time

from pymodbus.client import ModbusTcpClient

from walk import BINARY, Skip, Walk, check_chain, main, once, wait_for

LONG = os.environ.get("UPHOLE_LONG") == "1"


def small_disk(kind, size):
    """A file system of its own: a tmpfs, or an ext4 on a loop device; skipped by name where nothing may be mounted."""
    if os.geteuid() != 0:
        raise Skip("mounting needs root")
    mount = pathlib.Path(tempfile.mkdtemp(prefix="uphole-worst-"))
    if kind == "tmpfs":
        command = ["mount", "-t", "tmpfs", "-o", f"size={size}m", "tmpfs", mount]
    else:
        image = mount.with_suffix(".image")
        with open(image, "wb") as file:
            file.truncate(size << 20)
        subprocess.run(["mkfs.ext4", "-qF", image], check=True)
        command = ["mount", "-o", "loop", image, mount]
    out = subprocess.run(command, capture_output=True, text=True)
    if out.returncode != 0:
        raise Skip(f"{kind} can't be mounted here: {out.stderr.strip()}")
    return mount


def give_back(mount):
    subprocess.run(["umount", "-l", mount], capture_output=True)
    mount.rmdir()
    image = mount.with_suffix(".image")
    if image.exists():
        image.unlink()


def journaled(walk):
    """Register 29 of the first well's block: 1 while what is shown is stored."""
    client = ModbusTcpClient("127.0.0.1", port=walk.table_port, timeout=20)
    if not client.connect():
        return None
    answer = client.read_holding_registers(0, 40, slave=1)
    client.close()
    return None if answer.isError() else answer.registers[29]


def fill(mount):
    file = os.open(mount / "filler", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for size in (1 << 20, 4096, 1):
        try:
            while os.write(file, b"x" * size) > 0:
                pass
        except OSError:
            pass
    os.close(file)


def events(walk, kind):
    return [row["text"] for row in walk.sql(f"SELECT text FROM event WHERE kind = '{kind}'")]


def start(walk):
    walk.start_broker()
    walk.subscribe()
    walk.start_simulator()
    walk.start_daemon()
    wait_for("records", 40, lambda: len(walk.records()) > 6)


def grows(walk, by=6, seconds=40):
    n = len(walk.records())
    wait_for("new records", seconds, lambda: len(walk.records()) >= n + by)


def reserve_is_whole(walk):
    out = subprocess.run([str(BINARY), "status", "--journal", str(walk.journal), "--json"], capture_output=True, text=True)
    return out.returncode == 0 and '"reserve_bytes":1048576' in out.stdout.replace(" ", "")


def others_fill_the_disk_and_journaling_goes_on():
    """Nothing is refused while the reserve lasts, and a stop and a start need nothing of the disk. Planted defects: journal-reserve-never-given,
    journal-log-cut-at-close, journal-no-tail (test_reserve shows them too)."""
    mount = small_disk("ext4", 48)
    try:
        with Walk("disk", journal=mount / "journal") as walk:
            walk.config.write_text(walk.config.read_text().replace("journal: {path:", "journal: {at_most: 16 MB, path:"))
            start(walk)
            wait_for("the reserve", 60, lambda: reserve_is_whole(walk))
            n = len(walk.records())
            time.sleep(12)
            wait_for("what is stored in that time", 40, lambda: len(walk.records()) >= n + 30)
            fill(mount)
            for _ in range(6 if not LONG else 60):
                grows(walk)
                assert journaled(walk) == 1, walk.log("daemon")[-600:]
            walk.stop(walk.daemon)
            walk.start_daemon()
            grows(walk)
            assert journaled(walk) == 1
            assert "not_journaled" not in walk.log("daemon"), walk.log("daemon")[-800:]
            (mount / "filler").unlink()
            grows(walk)
            kept = once(walk.records())
            for well in ("heron-7", "heron-8"):
                check_chain([r for r in kept if r["well"] == well])
            print(f"  {len(kept)} records over a full disk, none refused")
    finally:
        give_back(mount)


def a_database_that_is_removed_is_begun_anew_and_said():
    """Planted defect: worst-numbers-of-the-old-journal (the new file is taken for the old one: wells without a name, nothing is ever stored again)."""
    with Walk("gone") as walk:
        start(walk)
        for name in ("journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"):
            (walk.journal / name).unlink()
        wait_for("the word", 30, lambda: "Uphole begins anew with it" in walk.log("daemon"))
        runs = {r["run"] for r in walk.records()}
        wait_for("records of another run", 60, lambda: len([r for r in walk.records() if r["run"] not in runs]) > 6)
        assert walk.daemon.poll() is None
        assert "was removed or replaced while in use" in walk.log("daemon")
        assert "is gone; a new one was begun" in "".join(events(walk, "journal_lost")), events(walk, "journal_lost")
        kept = [r for r in once(walk.records()) if r["run"] not in runs]
        for well in ("heron-7", "heron-8"):
            check_chain([r for r in kept if r["well"] == well])
            assert min(r["seq"] for r in kept if r["well"] == well) == 1


def an_older_copy_is_noticed_and_its_records_are_others():
    """Planted defect: worst-no-mark (nothing tells that the file went back in time)."""
    with Walk("back", poll="200 ms", refresh="200 ms") as walk:
        start(walk)
        walk.stop(walk.daemon)
        copy = walk.directory / "copy.sqlite"
        shutil.copy(walk.journal / "journal.sqlite", copy)
        walk.start_daemon()
        wait_for("rows enough", 300, lambda: walk.sql("SELECT max(pos) AS p FROM event")[0]["p"] is not None
                 and walk.sql("SELECT max(newest_pos) AS p, (SELECT max(pos) FROM scan) AS q FROM well")[0]["q"] > 3000, step=1)
        walk.stop(walk.daemon)
        for name in ("journal.sqlite-wal", "journal.sqlite-shm"):
            (walk.journal / name).unlink()
        shutil.copy(copy, walk.journal / "journal.sqlite")
        walk.start_daemon()
        wait_for("the word", 30, lambda: "The journal is older than it was" in walk.log("daemon"))
        grows(walk)
        assert len(events(walk, "journal_went_back")) == 1
        once(walk.records())  # no id with two contents


def a_program_that_reads_for_long_is_named_and_nothing_is_lost():
    """The write-ahead log can't begin anew while it reads; what is stored is stored. Planted defect: worst-reader-unsaid."""
    with Walk("reader", poll="100 ms", refresh="100 ms") as walk:
        walk.config.write_text(walk.config.read_text().replace("journal: {path:", "journal: {at_most: 16 MB, path:"))
        start(walk)
        reader = sqlite3.connect(f"file:{walk.journal / 'journal.sqlite'}?mode=ro", uri=True, isolation_level=None)
        reader.execute("BEGIN")
        seen = reader.execute("SELECT count(*) FROM scan").fetchone()[0]

        def told():
            out = subprocess.run([str(BINARY), "status", "--journal", str(walk.journal)], capture_output=True, text=True)
            return "another program has been reading the journal" in out.stdout

        wait_for("status to name it", 240, told, step=2)
        assert reader.execute("SELECT count(*) FROM scan").fetchone()[0] == seen
        reader.execute("COMMIT")
        reader.close()
        grows(walk)
        wait_for("the end of it", 90, lambda: not told(), step=2)
        kept = once(walk.records())
        for well in ("heron-7", "heron-8"):
            check_chain([r for r in kept if r["well"] == well])


def a_file_system_that_turns_read_only_is_named_and_comes_back():
    """As ext4 does after an error of its own. Planted defect: polling or live values stop with the journal."""
    mount = small_disk("ext4", 48)
    try:
        with Walk("ro", journal=mount / "journal") as walk:
            start(walk)
            # As the kernel does it: at once, whatever is open for writing. A remount by hand would be refused.
            out = subprocess.run(["mount", "-o", "remount,abort", mount], capture_output=True, text=True)
            if out.returncode != 0:
                raise Skip(f"remount,abort: {out.stderr.strip()}")
            wait_for("the mark on live values", 60, lambda: journaled(walk) == 0)
            assert "Polling goes on and live values are marked not_journaled" in walk.log("daemon")
            n = len(walk.taken("latest"))
            wait_for("latest to go on", 70, lambda: len(walk.taken("latest")) > n)
            assert walk.daemon.poll() is None
    finally:
        give_back(mount)


SHORT = [others_fill_the_disk_and_journaling_goes_on, a_database_that_is_removed_is_begun_anew_and_said]
MORE = [an_older_copy_is_noticed_and_its_records_are_others, a_program_that_reads_for_long_is_named_and_nothing_is_lost,
        a_file_system_that_turns_read_only_is_named_and_comes_back]

if __name__ == "__main__":
    main(*(SHORT + MORE if LONG or len(sys.argv) > 1 else SHORT))
