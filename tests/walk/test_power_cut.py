#!/usr/bin/env python3
"""S19b: published, killed, up again, published, power cut, up again: nothing that a subscriber has seen may be lost, and the sums hold.

Two kinds of power cut, each in stories side by side, and each story a loop of kill, restart, publish, cut on one journal:
  shutdown  a loop-mounted ext4 is shut down by the kernel ("no flush"): at the n-th sync, n one after the other over all stories, and every third time
            at any moment (the daemon is stopped by SIGSTOP before, and never goes on: else a sync that races with the cut may lose just the one row
            whose acknowledgement it was)
  undo      a preloaded library undoes a random part of the unsynced writes, whole or torn, and in any order, at the n-th sync or at any write

UPHOLE_KEEP=1 keeps what was written. UPHOLE_CUTS cuts in all (50 by default; with UPHOLE_LONG=1 1,000, half of each kind, of which more than 500 at random). Judged by the subscriber's log
alone: each row names the row before it, so a published row that is in the chain of no later row was lost. Then `uphole audit` must hold.

Planted defect that it must catch (tests/planted): journal-normal. The missing checkpoint can't be seen here, since storing the
run syncs the whole log; tests/journal/power_cut.sh and power_cut_reordered.sh see it.
"""
import os
import pathlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

from walk import BINARY, PATIENCE, SOURCE, Skip, found_if, main, wait_for

sys.path.insert(0, str(SOURCE / "tests/history"))
import judge  # noqa: E402
import play  # noqa: E402

IS_LONG = os.environ.get("UPHOLE_LONG") == "1"
CUTS = int(os.environ.get("UPHOLE_CUTS", "1000" if IS_LONG else "50"))
PARALLEL = int(os.environ.get("UPHOLE_PARALLEL", "10"))
SYNCS_MAX = 14 if not IS_LONG else 40  # of a start: those at its beginning, then one a second
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
        for _ in range(20):  # loop devices are everybody's: another may have taken the free one
            out = subprocess.run(["mount", "-o", "loop", self.image, self.mount_point], capture_output=True, text=True)
            if out.returncode == 0:
                return
            time.sleep(0.1)
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


class Points:
    """The sync points, handed out one after the other to all stories of a kind, so that each has its turn."""

    def __init__(self):
        self.lock, self.next, self.reached = threading.Lock(), 0, set()

    def take(self):
        with self.lock:
            self.next = self.next % SYNCS_MAX + 1
            return self.next


class Cuts:
    """One story: a box whose power fails again and again."""

    def __init__(self, kind, seed, cuts, points):
        self.kind, self.cuts, self.points, self.chance = kind, cuts, points, random.Random(seed)
        self.disk = Disk() if kind == "shutdown" else None
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-cuts-"))
        self.directory.chmod(0o755)  # a broker that root starts reads its rights as another user
        self.play = play.Play(seed, self.directory, play.build_helpers(self.directory))

    def publishes(self, seconds=20 * PATIENCE):
        """Waits for a record message; true when one came before the process ended."""
        before, end = self.records_seen(), time.monotonic() + seconds
        while time.monotonic() < end:
            if self.records_seen() > before:
                return True
            if self.play.box.process.poll() is not None:
                return False
            time.sleep(0.03)
        raise AssertionError(f"no record came within {seconds} s: {self.play.log('daemon-first')[-600:]}")

    def records_seen(self):
        return sum(path.read_bytes().count(b"/record {") for path in self.directory.glob("subscriber-*.log"))

    def cut_at_any_moment(self):
        """The daemon never goes on: a sync that was under way may say by mistake that it succeeded, and its row would be published behind the cut."""
        os.kill(self.play.box.process.pid, signal.SIGSTOP)
        time.sleep(0.02)
        self.disk.cut()

    def cut(self, number):
        box = self.play.box
        box.start(wait=False)
        self.publishes()
        time.sleep(self.chance.uniform(0, 0.4))
        box.kill()
        if self.kind == "shutdown" and number % 3 == 2:
            box.start(wait=False)
            self.publishes()
            time.sleep(self.chance.uniform(0, 1.2))
            self.cut_at_any_moment()
        else:
            where = dict(SHIM_CUT_AT=str(self.points.take())) if self.kind == "shutdown" or number % 2 else dict(SHIM_CUT_AT_WRITE=str(self.chance.randrange(1, 120)))
            if self.kind == "shutdown":
                where["SHIM_SHUTDOWN"] = str(self.disk.mount_point)
            box.start(wait=False, SHIM_SEED=str(self.chance.getrandbits(30)), **where)
            try:
                box.process.wait(SYNCS_MAX + 8)
                self.points.reached.update(int(v) for k, v in where.items() if k == "SHIM_CUT_AT")
            except subprocess.TimeoutExpired:
                if self.disk is not None:
                    self.cut_at_any_moment()  # so many syncs did not come: cut now
        box.kill()
        if self.disk is not None:
            self.disk.power_up()
        box.new_boot()

    def run(self):
        made = self.play
        try:
            made.rights(play.OPEN)
            made.box = play.Box(made, "first", journal=self.disk.mount_point / "journal" if self.disk else None)
            os.sync()  # the empty directory is there; all else is the journal's to see to
            made.box.write_config()
            made.box.set_clock(play.BASE_US)
            made.start_units()
            made.start_broker()
            for number in range(self.cuts):
                self.cut(number)
            made.settle()
            made.close()
            return self.judged()
        finally:
            made.close()
            if os.environ.get("UPHOLE_KEEP"):
                if self.disk is not None:
                    shutil.copytree(self.play.box.journal, self.directory / "journal")
                print(f"  kept: {self.directory}")
            else:
                shutil.rmtree(self.directory, ignore_errors=True)
            if self.disk is not None:
                self.disk.close()

    def judged(self):
        """(records published, lost). A published record that no later one has in its chain was lost with the power."""
        evidence = judge.Evidence(self.directory)
        rows = {(r["run"], r["well"], r["seq"]): r for r in judge.rows_of(evidence)}
        lost = 0
        for well in play.WELLS:
            own = {i: r for i, r in rows.items() if i[1] == well}
            at = max(own, key=lambda i: (own[i]["arrived"], i[2]))
            chain = set()
            while at is not None:
                found_if(at not in own, f"{at} is named as a predecessor and never came")
                chain.add(at)
                after = own[at]["after"]
                at = (after[0], well, after[1]) if after else None
            lost += len(set(own) - chain)
        wrong = judge.Judge(evidence).all()
        for audit in evidence.audits:
            found_if(audit["code"] != 0, f"the sums do not hold: {audit['said']}")
        found_if(wrong and not lost, "\n".join(wrong[:8]))
        return len(rows), lost


def stories(kind, cuts):
    results, points = [], Points()
    each = [cuts // (PARALLEL // 2) + (i < cuts % (PARALLEL // 2)) for i in range(PARALLEL // 2)]

    def one(index):
        try:
            results.append(Cuts(kind, 1000 + index, each[index], points).run())
        except BaseException as error:  # judged by the main thread
            results.append(error)
    threads = [threading.Thread(target=one, args=(i,)) for i in range(len(each)) if each[i]]
    for thread in threads:
        thread.start()
    return threads, results, points


def no_published_record_is_lost_by_a_power_cut():
    """kill, restart, publish, cut, judged by the subscriber's log."""
    kinds, skipped = ["undo", "shutdown"], None
    try:
        Disk().close()
    except Skip as reason:
        kinds, skipped = ["undo"], reason
    begun = {kind: stories(kind, CUTS // 2) for kind in kinds}
    lost = 0
    for kind, (threads, results, points) in begun.items():
        for thread in threads:
            thread.join()
        for result in results:
            if isinstance(result, BaseException):
                raise result
        published = sum(r[0] for r in results)
        lost += sum(r[1] for r in results)
        print(f"  {kind}: {CUTS // 2} cuts, at syncs {sorted(points.reached)} and at random: {published} records published, {sum(r[1] for r in results)} of them lost")
    found_if(lost, f"{lost} published records were lost")
    if skipped:
        raise Skip(f"cuts of a real file system: {skipped}; the others are good")


# In a mount namespace of its own, where that can be had: another test's namespace, a copy of the common one, would hold the dead file systems.
ALONE = ["unshare", "-m", "--propagation", "private"]
if "UPHOLE_CUTS_ALONE" not in os.environ and shutil.which("unshare") and subprocess.run([*ALONE, "true"], capture_output=True).returncode == 0:
    os.environ["UPHOLE_CUTS_ALONE"] = "1"
    os.execvp(ALONE[0], [*ALONE, sys.executable, *sys.argv])
main(no_published_record_is_lost_by_a_power_cut)
