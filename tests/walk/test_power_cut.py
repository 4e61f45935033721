#!/usr/bin/env python3
"""S19b: kill, restart, publish, power cut, on a real ext4: what a subscriber has seen must still be in the journal when the power comes back.

UPHOLE_CYCLES cycles (default 10 a file system) on UPHOLE_PARALLEL file systems side by side (default 5). The daemon is stopped (SIGSTOP) for a moment
before the cut, and only what the subscriber held by then is judged: without the stop, a sync that races with the cut may lose just the one row whose
acknowledgement it was. Planted defect that it must catch (tests/planted): journal-normal. The missing checkpoint can't be seen here, since storing the
run syncs the whole log; tests/journal/power_cut.sh and power_cut_reordered.sh see it.
"""
import os
import pathlib
import random
import shutil
import signal
import subprocess
import tempfile
import threading
import time

from walk import BINARY, Skip, Walk, main, once, wait_for

CYCLES = int(os.environ.get("UPHOLE_CYCLES", "100" if os.environ.get("UPHOLE_LONG") == "1" else "10"))
PARALLEL = int(os.environ.get("UPHOLE_PARALLEL", "5"))
POWER_CUT = BINARY.parents[2] / "tests/walk/power_cut"


class Disk:
    """A loop-mounted ext4 of its own."""

    def __init__(self):
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-disk-"))
        self.image, self.mount_point = self.directory / "image", self.directory / "mount"
        self.mount_point.mkdir()
        if os.geteuid() != 0:
            raise Skip("mounting a loop file system needs root")
        for tool in ("mkfs.ext4", "mount"):
            if not shutil.which(tool, path=os.environ["PATH"] + ":/sbin:/usr/sbin"):
                raise Skip(f"there is no {tool}")
        subprocess.run(["truncate", "-s", "96M", self.image], check=True)
        subprocess.run(["mkfs.ext4", "-qF", self.image], check=True)
        self.mount()

    def mount(self):
        out = subprocess.run(["mount", "-o", "loop", self.image, self.mount_point], capture_output=True, text=True)
        if out.returncode != 0:
            raise Skip(f"a loop file system can't be mounted here: {out.stderr.strip()}")

    def cut(self):
        subprocess.run([POWER_CUT, self.mount_point], check=True)

    def power_up(self):
        """Mounts the disk anew. Where another mount namespace still holds the dead file system, a mount only joins it: then wait until it is let go."""
        def is_alive():
            if subprocess.run(["umount", self.mount_point], capture_output=True).returncode != 0:
                return False
            self.mount()
            options = next(line.split()[3] for line in open("/proc/mounts", encoding="utf-8") if line.split()[1] == str(self.mount_point))
            return "shutdown" not in options.split(",")
        wait_for("the dead file system to let go", 60, is_alive)

    def close(self):
        subprocess.run(["umount", "-l", self.mount_point], capture_output=True)
        shutil.rmtree(self.directory, ignore_errors=True)


def cycle(walk, disk, chance):
    """One: up, killed, up again, published, cut. Returns the identities that the subscriber held before the cut."""
    seen = len(walk.records())
    walk.start_daemon()
    wait_for("records", 20, lambda: len(walk.records()) > seen)
    time.sleep(chance.uniform(0, 1.2))
    walk.stop(walk.daemon, signal.SIGKILL)
    seen = len(walk.records())
    walk.start_daemon()
    wait_for("records after the kill", 20, lambda: len(walk.records()) > seen)
    time.sleep(chance.uniform(0, 1.5))
    os.kill(walk.daemon.pid, signal.SIGSTOP)
    time.sleep(0.02)
    held = {(r["run"], r["well"], r["seq"]) for r in once(walk.records())}
    disk.cut()
    os.kill(walk.daemon.pid, signal.SIGCONT)
    walk.stop(walk.daemon, signal.SIGKILL)
    disk.power_up()
    return held


def in_journal(walk):
    names = {row["number"]: row["id"] for row in walk.sql("SELECT number, id FROM well")}
    assert walk.sql("PRAGMA integrity_check")[0]["integrity_check"] == "ok"
    return {("%016x" % (row["run"] % 2**64), names[row["well"]], row["seq"]) for row in walk.sql("SELECT run, well, seq FROM scan")}


def cycles_on_one_disk(index, results):
    chance = random.Random(1000 + index)
    disk = None
    try:
        disk = Disk()
        with Walk(f"cut{index}", journal=disk.mount_point / "journal") as walk:
            walk.start_broker()
            walk.subscribe()
            walk.start_simulator()
            lost = 0
            for _ in range(CYCLES):
                held = cycle(walk, disk, chance)
                missing = held - in_journal(walk)
                lost += len(missing)
            results[index] = (CYCLES, lost, len({(r["run"], r["well"], r["seq"]) for r in walk.records()}))
    except BaseException as error:  # judged by the main thread
        results[index] = error
    finally:
        if disk is not None:
            disk.close()


def no_published_record_is_lost_by_a_power_cut():
    """kill, restart, publish, cut, judged by the subscriber's log."""
    Disk().close()  # says at once whether this machine can do it
    results = {}
    threads = [threading.Thread(target=cycles_on_one_disk, args=(i, results)) for i in range(PARALLEL)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for result in results.values():
        if isinstance(result, BaseException):
            raise result
    done, lost, published = (sum(r[i] for r in results.values()) for i in range(3))
    print(f"  {done} cycles on {PARALLEL} file systems: {published} records published, {lost} of them lost")
    assert lost == 0, f"{lost} published records were lost in {done} cycles"


main(no_published_record_is_lost_by_a_power_cut)
